package check

// busTexts are the texts of the checks of a backbone as a whole.
var busTexts = map[string]Text{
	"bus-errors": {Doc: "The CAN controller reports errors on the backbone.", Term: "backbone", Cases: map[string]Case{
		"": {Summary: "{count} on {network} within a minute{passive}", Remedy: []Step{
			beforeWiring,
			{Measure, "With network power off, measure the resistance between NET-H and NET-L. About 60 ohm is right."},
			{Measure, "About 120 ohm means that a terminator is missing. Below 50 ohm, there is one too many, or a short circuit."},
			{Look, "Look for wet or loose connectors and for drop cables that are too long."},
			{Change, "Disconnect the devices one at a time, until the errors stop. The last one is faulty or has the wrong bit rate."},
		}},
	}},
	"bus-load-high": {Doc: "The bus load is high, so messages may be delayed.", Term: "bus load", Cases: map[string]Case{
		"": {Summary: "Bus load on {network} is {load} % (limit {limit} %)", Remedy: []Step{
			{Look, "See in the evidence which units and messages make the load. muster audit has the load of each in its column load."},
			{Change, "Switch off messages and duplicate sources that no device uses. Lower the rates where a device allows it."},
			{Change, "If the load stays high, divide the network with a bridge. Above 75 %, messages of low priority are late."},
		}},
	}},
	"bus-off": {Doc: "The CAN controller has left the backbone after too many errors.", Term: "backbone", Cases: map[string]Case{
		"": {Summary: "muster's adapter has been off the bus on {network}{for} and receives nothing", Remedy: busOffRemedy},
		"back": {Summary: "muster's adapter on {network} went off the bus and came back within the last minute",
			Remedy: busOffRemedy},
	}},
	"frames-dropped": {Doc: "Frames were lost between the backbone and muster, so other figures are too low.", Term: "boat computer",
		Cases: map[string]Case{
			"": {Summary: "muster lost {count} of {network} within a minute: counts, loads and intervals are too low", Remedy: []Step{
				{Look, "Look at the load of this computer. The backbone is not the cause."},
				{Change, "Stop other programs on this computer, or use an adapter with larger buffers."},
				{Change, "Connect the adapter directly to the computer, not through a shared USB hub."},
			}},
		}},
	"incomplete-messages": {Doc: "Multi-frame messages arrive incomplete or not at all.", Term: "incomplete message", Cases: map[string]Case{
		"": {Summary: "{count} on {network} arrived {how} within a minute", Remedy: []Step{
			beforeWiring,
			{Look, "See the bus errors and the bus load on the page Network. Frames are lost on the backbone."},
			{Look, "Look for loose connectors near the devices that the evidence names, or near each device if it names none."},
		}},
		"dropped": {Summary: "{count} on {network} arrived {how} within a minute", Remedy: []Step{
			{Look, "See frames-dropped on the page Boat under Alerts. muster lost frames in the same minute, so the backbone may be OK."},
			{Change, "Fix frames-dropped first, then check again."},
		}},
	}},
	"too-many-devices": {Doc: "The backbone has more devices than the limit.", Term: "backbone", Cases: map[string]Case{
		"": {Summary: "{count} devices on {network} (limit {limit})", Remedy: []Step{
			beforeWiring,
			{Change, "Divide the backbone into two networks, and connect them with a bridge."},
			{Change, "Recalculate length, load and voltage drop of each network."},
		}},
		"layout": {Summary: "The layout has {count} devices (limit {limit})", Remedy: []Step{
			{Change, "Divide the layout into two networks with a gateway or bridge between them."},
		}},
	}},
	"wrong-bit-rate": {Doc: "The CAN interface does not run at the 250 kbit/s of NMEA 2000.", Term: "backbone", Cases: map[string]Case{
		"": {Summary: "{network} runs at {rate} bit/s (NMEA 2000: {expected} bit/s)", Remedy: []Step{
			{Isolate, "Disconnect the adapter from the backbone. A wrong bit rate disturbs every device."},
			{Change, "Set the bit rate: ip link set {network} down; ip link set {network} up type can bitrate {expected}."},
			{Change, "If this network is not NMEA 2000, remove it from muster's config."},
		}},
	}},
}

var busOffRemedy = []Step{
	beforeWiring,
	{Measure, "With network power off, measure the resistance between NET-H and NET-L. About 60 ohm is right."},
	{Look, "Check that the interface runs at 250 kbit/s, and that NET-H and NET-L are not swapped or shorted."},
	{Change, "Let the interface restart by itself: ip link set {network} type can restart-ms 1000."},
}

// lineTexts are the texts of the checks of an NMEA 0183 line.
var lineTexts = map[string]Text{
	"bad-checksum": {Doc: "Sentences on an NMEA 0183 line arrive with a wrong checksum.", Term: "line", Cases: map[string]Case{
		"": {Summary: "{count} with a wrong checksum on {network} within a minute", Remedy: append([]Step{beforeWiring}, noisyLine...)},
	}},
	"garbled-line": {Doc: "Text on an NMEA 0183 port is not NMEA 0183 sentences.", Term: "line", Cases: map[string]Case{
		"": {Summary: "{count} on {network} within a minute are not sentences", Remedy: []Step{
			beforeWiring,
			{Look, "Check the baud rate in the talker's settings. It is 4800 baud for most talkers, 38400 baud for AIS."},
			{Change, "If every line is garbled at the right rate, swap the A and B wires."},
		}},
		"baud": {Summary: "{count} on {network} within a minute are not sentences: read at {baud} baud, most likely sent at {likely} baud",
			Remedy: []Step{
				beforeWiring,
				{Change, "Open the port with ?baud={likely}, or without a rate to detect it."},
				{Change, "If that gives no sentences either, swap the A and B wires."},
			}},
		"unclear": {Summary: "{count} on {network} within a minute are not sentences: what arrives at {baud} baud does not show the cause", Remedy: []Step{
			beforeWiring,
			{Look, "Check the baud rate in the talker's settings. A faster talker and swapped wires look the same here."},
			{Change, "Open the port without ?baud=. muster then tries 4800, 38400, 9600, 19200, 57600 and 115200 baud, and swapped wires at each."},
			{Change, "If no rate gives sentences, swap the A and B wires. Then look for a broken wire and for two talkers on one line."},
		}},
		"swapped-wires": {Summary: "{count} on {network} within a minute are not sentences: the A and B wires are swapped", Remedy: []Step{
			beforeWiring,
			{Change, "Swap the A and B wires. Leave the baud rate as it is: {baud} baud is right."},
		}},
		"noisy": {Summary: "{count} on {network} within a minute are not sentences",
			Remedy: append([]Step{beforeWiring, {Look, "Leave the baud rate as it is. Sentences arrive between the garbled lines, so the rate is right."}}, noisyLine...)},
		"other-protocol": {Summary: "{count} on {network} within a minute are text, but not NMEA 0183", Remedy: []Step{
			{Change, "Set the output of the device on this port to NMEA 0183."},
		}},
	}},
	"line-saturated": {Doc: "An NMEA 0183 line carries nearly all that its baud rate allows.", Term: "line", Cases: map[string]Case{
		"": {Summary: "Load of the line {network} is {load} % at {baud} baud (limit {limit} %)", Remedy: []Step{
			{Look, "See the sentences on the page Network under Talkers. Find those that no listener uses. A talker on a full line leaves sentences out or sends them late."},
			{Change, "Switch those sentences off, lower their rates, or set talker and listeners to 38400 baud."},
		}},
	}},
	"sentence-late": {Doc: "A sentence on an NMEA 0183 line is much slower than usual or has stopped.", Term: "line", Cases: map[string]Case{
		"": {Summary: "{talker} is late: {sentences}", Remedy: []Step{
			{Look, "Check that the talker is on and has data, and that its output settings are unchanged."},
			{Look, "See the load of the line on the page Network. Behind a multiplexer, check its filter and the priority of its inputs."},
		}},
	}},
}

var noisyLine = []Step{
	{Look, "Look for a loose or corroded terminal, and for two talkers on one line."},
	{Look, "Look for a cable beside a charger or a radio antenna."},
	{Change, "Connect the talker's B wire instead of ground where both sides are differential."},
}
