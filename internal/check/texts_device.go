package check

var secondSender = []Step{
	{Look, "Look for a device that works although no display lists it, or that lost its address. It may send from the address of the other."},
	{Look, "If there is none, look for a gateway that repeats the backbone onto itself."},
	{Change, "Disconnect one suspected device after the other. The one with which the alert clears is the second sender."},
	{Change, "Restart that device after all others. If it claims no other address, set one with the manufacturer's tool."},
	{Change, "If that is not possible, update its software, or have the manufacturer replace it."},
}

var sourceSteps = []Step{
	{Change, "On each display and the autopilot, turn off automatic source selection."},
	{Change, "Select the same primary source everywhere, and set a backup source."},
	{Change, "Switch off the output of sources that are not needed."},
}

var commandedSteps = []Step{
	{Look, "See the page of the unit under Settings changed over the network. It shows each change, who sent it and the answer."},
	{Look, "Ask who changed it. If it was not intended, set the earlier value again."},
}

// foreignSteps are for a device that belongs on an engine's own bus.
var foreignSteps = []Step{
	beforeWiring,
	{Look, "Find how the device is connected. An engine's own bus (J1939) must not be joined to the backbone."},
	{Change, "Connect the engine by a gateway from J1939 to NMEA 2000."},
}

// deviceTexts are the texts of the checks of single devices on a network.
var deviceTexts = map[string]Text{
	"address-contested": {Doc: "Two or more devices keep taking one source address from each other.", Term: "address conflict",
		Cases: map[string]Case{
			"": {Summary: "{devices} keep taking address {address} from each other", Remedy: []Step{
				{Change, "Set another address on a device that allows it. Or restart the devices one after the other, 30 s apart."},
				{Change, "If the conflict returns, update the software of the device that does not give way, or ask its manufacturer."},
			}},
			"own": {Summary: "{devices} keeps claiming address {address}, which muster itself uses", Remedy: []Step{
				{Look, "See the page of that unit under Messages. muster moves to another address by itself."},
				{Change, "Run muster without --ask until the device keeps to an address of its own."},
			}},
		}},
	"address-shared": {Doc: "Two senders use one source address, so that the messages of both count as those of one device.", Term: "address conflict",
		Cases: map[string]Case{
			"": {Summary: "A second sender uses {address} of {device}: two sequence counters run in {messages}", Remedy: secondSender},
			"doubled": {Summary: "{other} claimed {address} of {device} and still sends from it: {messages} comes twice as often, " +
				"from two senders in turn", Remedy: secondSender},
			"clocks": {Summary: "A second sender uses {address} of {device}: {messages} comes in turn by two clocks, " +
				"which slide along each other", Remedy: secondSender},
			"serials": {Summary: "A second sender uses {address} of {device}: it reports two serial numbers in turn, {serials}",
				Remedy: secondSender},
		}},
	"same-serial": {Doc: "Units of one model that cannot be one box report the same serial number.", Term: "serial number", Cases: map[string]Case{
		"": {Summary: "{count} units report one serial number, {serial}: {devices}", Remedy: []Step{
			{Look, "Read the serial number on the label of each unit. Compare it with the one that the unit reports."},
			{Look, "If the labels differ, the manufacturer fills the field with one value. The unique numbers keep the units apart."},
			{Change, "If a repair left the wrong number in a unit, correct it with the manufacturer's tool."},
		}},
	}},
	"duplicate-name": {Doc: "Two devices claim with the same NAME, which must be unique.", Term: "duplicate NAME", Cases: map[string]Case{
		"": {Summary: "Two devices have one NAME: {device} sends from addresses {addresses}", Remedy: []Step{
			{Look, "Look whether there are two such devices. If there is only one, a gateway repeats the backbone onto itself."},
			{Change, "Disconnect one of the two. If the other settles, both have the same NAME, often a factory default."},
			{Change, "Give one of them another device instance or unique number with the manufacturer's tool."},
			{Change, "If that is not possible, have the manufacturer replace it."},
		}},
		"own": {Summary: "Another device claims with the NAME of muster: it sends from addresses {addresses}", Remedy: []Step{
			{Look, "Look for a second computer that runs with the same serial number, such as one from a copied memory card."},
			{Look, "If there is none, look for a gateway that repeats the backbone onto itself."},
			{Change, "Run only one of them with --ask."},
		}},
	}},
	"commanded": {Doc: "A device changed a setting of another over the network.", Term: "unit", Cases: map[string]Case{
		"":           {Summary: "{from} changed a setting of {to} {ago} ago: {what}", Remedy: commandedSteps},
		"refused":    {Summary: "{from} tried to change a setting of {to} {ago} ago: {what}. It was refused: {why}", Remedy: commandedSteps},
		"unanswered": {Summary: "{from} sent a setting to {to} {ago} ago: {what}. No answer came", Remedy: commandedSteps},
	}},
	"foreign-device": {Doc: "A device on the backbone does not follow NMEA 2000, such as an engine with J1939.", Term: "gateway",
		Cases: map[string]Case{
			"group": {Summary: "{device} on {network} is not an NMEA 2000 device: its NAME has industry group {group}, not 4 (marine)",
				Remedy: foreignSteps},
			"engine": {Summary: "{device} on {network} sends J1939 engine data, which NMEA 2000 displays do not read", Remedy: foreignSteps},
			"reserved": {Summary: "{device} on {network} sends from a reserved source address (devices have 0 to 251)", Remedy: []Step{
				{Look, "Find the device: a service tool, a home-made gateway or a J1939 device. See the page of the unit under Messages."},
				{Change, "Disconnect a tool that is left on the backbone. Give another device an address of 0 to 251."},
			}},
		}},
	"no-address": {Doc: "A device cannot claim a source address, so it sends no data.", Term: "address claim", Cases: map[string]Case{
		"": {Summary: "{device} cannot claim an address{for} and sends no data", Remedy: noAddressRemedy("")},
		"fixed": {Summary: "{device} cannot claim an address{for} and sends no data",
			Remedy: noAddressRemedy("This device can use one fixed address only. Move the device that holds that address.")},
		"own": {Summary: "muster cannot claim an address on {network} and asks nothing", Remedy: []Step{
			{Look, "See on the page Boat under Alerts: one unit may claim many addresses, one after the other."},
			{Change, "Free an address on the backbone, or run muster without --ask."},
		}},
	}},
	"equipment-status": {Doc: "A unit reports a fault of its own in its heartbeat.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} reports in its heartbeat: {states}", Remedy: []Step{
			beforeWiring,
			{Look, "Look for a message on the unit itself. The meaning of this state is not confirmed: do not act on it alone."},
			{Measure, "If a CAN controller is error-passive, measure the backbone at the unit's tee: 60 ohm with the power off, voltage with it on."},
		}},
	}},
	"no-heartbeat": {Doc: "A unit is online but does not send the heartbeat that it should.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} has sent no heartbeat{for}", Remedy: []Step{
			{Look, "Check whether the unit works, and restart it."},
			{Look, "See the manufacturer's release notes for software that stops its heartbeat."},
		}},
	}},
	"not-identified": {Doc: "A device has not reported its product information.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} has not reported its model and software{for}{why}", Remedy: []Step{
			{Look, "Read model, serial number and software on the device or its label. Some devices never answer."},
			{Change, "Enter them on the page Work under Entered by hand, or with muster note."},
		}},
		"not-asked": {Summary: "{count} on {network} without model and software: no device has asked {devices}", Remedy: []Step{
			{Look, "Open the device list on a display while muster listens. Most displays then ask."},
			{Change, "Or run muster with --ask, so that it claims an address and asks the standard questions."},
		}},
	}},
	"restarted": {Doc: "A device, or all of the backbone, has restarted recently.", Term: "network power", Cases: map[string]Case{
		"": {Summary: "{device} restarted {times}", Remedy: []Step{
			beforeWiring,
			{Look, "Ask whether it was updated or switched off and on. A restart is then expected."},
			{Look, "If it restarts by itself, check its power feed, its fuse and the connector of its drop cable."},
			{Look, "Compare its software version with the manufacturer's list of known faults."},
		}},
		"together": {Summary: "{count} of {known} devices on {network} restarted together {ago} ago: network power was lost", Remedy: []Step{
			beforeWiring,
			{Look, "Ask whether the electronics were switched off and on. A restart is then expected."},
			{Measure, "If not, measure the battery voltage while the engines start."},
			{Look, "Check the breaker, the fuse and the connectors of the power tee."},
		}},
	}},
	"silent": {Doc: "A device, or all of the backbone, has stopped sending.", Term: "silent", Cases: map[string]Case{
		"": {Summary: "{device} has sent nothing{for}", Remedy: []Step{
			beforeWiring,
			{Look, "Check that the device is switched on and its breaker is closed. Check its drop cable and tee."},
			{Change, "Move the drop cable to a tee that works. If the device works there, the original tee or its connector is faulty."},
			{Change, "If it does not work there, replace its drop cable. If it still does not work, the device is faulty."},
		}},
		"network": {Summary: "No device on {network} has sent anything{for}: {count} devices are silent", Remedy: []Step{
			beforeWiring,
			{Look, "Check whether the boat's electronics are switched off. Silence is then expected."},
			{Look, "If not, check network power: breaker, fuse, power tee."},
			{Look, "Check that both ends have a terminator and that muster's own drop cable is connected."},
		}},
		"adapter": {Summary: "muster receives nothing on {network}: its adapter or connection is missing{for}", Remedy: []Step{
			{Look, "Check the adapter and its cable. Until it is back, the state of the devices on this network is unknown."},
			{Change, "Connect the adapter again."},
		}},
	}},
	"unclaimed-source": {Doc: "Traffic comes from an address that no device has claimed.", Term: "address claim", Cases: map[string]Case{
		"": {Summary: "Frames come from {address} on {network}, which no device claims when asked", Remedy: []Step{
			{Look, "Look first at home-made gateways and old converters. The sender can disturb the owner of the address."},
			{Change, "Disconnect the devices one at a time, until these frames stop. The last one is the sender."},
			{Change, "Update its software or replace it."},
		}},
		"not-asked": {Summary: "{count} on {network}: no address claim was received from {addresses}", Remedy: []Step{
			askStep,
			{Change, "Or switch the backbone off and on while muster listens. The devices most likely claimed before muster started."},
		}},
	}},
}

var askStep = Step{Change, "Run muster with --ask, so that it claims an address and asks the standard questions."}

func noAddressRemedy(fixed string) []Step {
	return []Step{
		{Look, "See on the page Boat under Alerts: one unit may claim many addresses, one after the other."},
		{Look, "See the manufacturer's release notes for software that loses its address."},
		{Change, "Restart this device alone, with the rest of the backbone on, so that it looks for a free address again."},
		{Change, fixed},
	}
}

// Texts that several cases of clock-mismatch share.
const (
	clocksDiffer    = "Satellite time differs by {apart}: {behind} is behind {ahead}{odd}"
	computerDiffers = "This computer's clock is {apart} {way} satellite time from {source}"
)

var (
	setClock  = Step{Change, "Set this computer to take its time from the network or from the GNSS receiver. Reports and alerts use its clock."}
	weekSteps = []Step{
		{Look, "Find the receiver with the wrong date. The difference is 1024 weeks: its software ignores the week rollover."},
		{Change, "Update or replace the receiver. Its position may still be right."},
	}
	leapSteps = []Step{
		{Look, "Wait 15 minutes. The difference is that of GPS time and UTC, and a cold receiver learns the leap seconds only then."},
		{Change, "If the difference stays, update the software of the receiver that is ahead. It does not apply leap seconds."},
	}
)

// dataTexts are the texts of the checks of the data that devices and talkers send.
var dataTexts = map[string]Text{
	"clock-mismatch": {Doc: "Satellite time of one source differs from that of another or from this computer's clock.", Term: "GNSS receiver",
		Cases: map[string]Case{
			"": {Summary: clocksDiffer, Remedy: []Step{
				{Look, "Compare both with a clock that you trust."},
				{Change, "Restart the wrong one with a free view of the sky."},
				{Change, "Until then, deselect it as source of time and position."},
			}},
			"weeks": {Summary: clocksDiffer, Remedy: weekSteps},
			"zone": {Summary: clocksDiffer, Remedy: []Step{
				{Look, "Find which of them sends local time. The difference is whole hours: a time zone was applied."},
				{Change, "Set that device to send UTC, and set the zone only where a time is displayed."},
			}},
			"leap":         {Summary: clocksDiffer, Remedy: leapSteps},
			"system":       {Summary: computerDiffers, Remedy: []Step{setClock}},
			"system-weeks": {Summary: computerDiffers, Remedy: weekSteps},
			"system-zone": {Summary: computerDiffers, Remedy: []Step{
				{Look, "Check the time zone of this computer, and of the receiver. The difference is whole hours."},
				setClock,
			}},
			"system-leap": {Summary: computerDiffers, Remedy: leapSteps},
		}},
	"data-loop": {Doc: "Data of a source returns to its own network a little later, through gateways that form a loop.", Term: "source selection",
		Cases: map[string]Case{
			"": {Summary: "{measures} of {source} returns on {network} {lag} later: {path}", Remedy: []Step{
				{Look, "Find the gateway that sends these messages back. A display or autopilot that uses the copy has old data."},
				{Change, "Switch these messages off in that gateway. Otherwise no device reports it when the sensor fails."},
			}},
		}},
	"empty-data": {Doc: "A device sends a message for a long time without any value in it.", Term: "sensor", Cases: map[string]Case{
		"": {Summary: "{device} sends {messages} without a value{for}", Remedy: []Step{
			beforeWiring,
			{Look, "Check the transducer, its connector and its cable. The device is online but has no valid sensor data."},
			{Look, "Out of the water, depth and speed have no value. Indoors, position has none."},
			{Change, "Switch off inputs of the device that are not connected."},
		}},
		"settings": {Summary: "{device} sends {messages} without a value{for}", Remedy: []Step{
			{Look, "These messages hold texts, names and settings, not what a sensor measures. Do not look for a faulty sensor."},
			{Change, "Enter the text or the setting on the device, or switch the message off."},
		}},
	}},
	"instance-clash": {Doc: "Two devices use the same instance, so their data or their settings cannot be distinguished.", Term: "instance",
		Cases: map[string]Case{
			"": {Summary: "{devices} {all} send {what}", Remedy: []Step{
				{Look, "Note the present instances, and see whether the devices measure the same thing."},
				{Change, "If not, give each its own instance with the manufacturer's tool or from a display that can."},
				{Change, "If they do, switch the message off in one of them."},
				{Change, "Then reselect the data sources on each display."},
			}},
			"device": {Summary: "{devices} share device instance {instance} and system instance {system}", Remedy: []Step{
				{Change, "Give each its own device instance, with the manufacturer's tool or on its own screen."},
				{Change, "Write the number on the device. Displays then keep to the right source after a replacement."},
			}},
		}},
	"low-voltage": {Doc: "A battery monitor reports a low voltage.", Term: "battery voltage", Cases: map[string]Case{
		"": {Summary: "{device} reports {volts} V (limit {limit} V, {nominal} V system) in {message}", Remedy: []Step{
			beforeWiring,
			{Measure, "Measure the voltage at the posts of the battery, and again where the monitor measures."},
			{Look, "If the two differ, look for a faulty connection, fuse or ground."},
			{Change, "Switch off what is not needed, and charge. Below 9 V to 10 V, electronics restart and lose settings."},
		}},
	}},
	"multiple-sources": {Doc: "Several devices send the same data, so a source must be selected on each display.", Term: "source selection",
		Cases: map[string]Case{
			"":       {Summary: "{count} sources of {quantity}{where}: {sources}", Remedy: sourceSteps},
			"copies": {Summary: "{count} sources of {quantity}{where}: {sources}. Copies: {copies}", Remedy: sourceSteps},
			"one": {Summary: "1 source of {quantity}{where} and copies of it: {copies}", Remedy: []Step{
				{Look, "A copy is no backup: it stops with its source. It is also older than its source."},
				{Change, "On each display and the autopilot, select {sources} as source."},
			}},
		}},
	"slow-data": {Doc: "A message is much slower than its published interval.", Term: "message rate", Cases: map[string]Case{
		"": {Summary: "{device} sends {messages}", Remedy: []Step{
			{Look, "Check whether a slower rate is set on the device. An autopilot needs heading at the full rate."},
			{Look, "If not, see the bus load and the lost frames on the page Network. Check the converter or gateway that passes the data."},
		}},
	}},
	"software-differs": {Doc: "Units of one model or release family run different software.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "The software of {count} units of {model} differs: {versions}", Remedy: []Step{
			{Look, "See the manufacturer's release notes or your release sheet for the target version."},
			{Look, "The version text alone does not show which is newer. Units that differ can refuse to share charts, routes and settings."},
			{Change, "Update all units of this model to one version, not under way."},
		}},
		"family": {Summary: "Release family {family} differs: {versions}", Remedy: []Step{
			{Change, "Open a job on the page Work, and make its work order. Update all of them to the family's current release."},
		}},
	}},
	"sources-disagree": {Doc: "Two sources of the same data differ by more than the allowed tolerance.", Term: "source selection",
		Cases: map[string]Case{
			"": {Summary: "Sources of {measure} differ by {difference} (limit {limit}): {sources}{odd}", Remedy: []Step{
				{Measure, "Check both against an independent reference: lead line, hand compass or visual fix."},
				{Look, "Check the offset, calibration and mounting of the faulty one. Look for magnetic things near a compass."},
				{Change, "Deselect the faulty source on every display and the autopilot until it is repaired."},
			}},
		}},
}
