package check

// recordTexts are the texts of the checks that need release sheets, a baseline or the store.
var recordTexts = map[string]Text{
	"companion-too-old": {Doc: "A device runs a release that needs newer software on another unit.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} at {version} needs {needs} at least {least}; {companion} runs {running}", Remedy: []Step{
			{Change, "Update {first} first."},
		}},
	}},
	"missing": {Doc: "A device of the baseline or the layout is not on the network.", Term: "offline", Cases: map[string]Case{
		"": {Summary: "{device} is in the baseline but not on the network", Remedy: []Step{
			{Look, "Check that the device is switched on and connected."},
			{Change, "If it was removed on purpose, set a new baseline on the page Snapshots."},
		}},
		"layout": {Summary: "{device} is in the layout at {at} but not on the network", Remedy: []Step{
			{Look, "Check that the device is connected and switched on. A device that only listens must be asked before it sends."},
			{Change, "If it was not fitted, remove it from the layout on the page Network."},
		}},
		"quantity": {Summary: "No device on the network and no NMEA 0183 line sends {quantity}, which the layout requires", Remedy: []Step{
			{Look, "Check that its device is connected and has data."},
			{Look, "Check that the receiver's antenna is connected and the transducer is in the water."},
		}},
	}},
	"new-device": {Doc: "A device on the network is not in the baseline or the layout.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} is new since the baseline", Remedy: []Step{
			{Look, "Find out who connected it."},
			{Change, "If it belongs on this boat, set a new baseline on the page Snapshots. If not, disconnect it."},
		}},
		"layout": {Summary: "{device} is on the network but not in the layout", Remedy: []Step{
			{Change, "Add it to the layout on the page Network, with its length and its load. Then check the layout with muster backbone."},
		}},
	}},
	"order-unknown": {Doc: "The release sheet does not show whether the version of a device is old.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device}: {reason}", Remedy: []Step{
			{Look, "Read the version on the device's own screen."},
			{Change, "Add it, or a pattern that matches it, to the release sheet."},
		}},
		"not-reported": {Summary: "{device} has not reported its software version", Remedy: []Step{
			{Look, "Read the version on the device's own screen."},
			{Change, "Enter it on the page Work under Entered by hand, or with muster note."},
		}},
	}},
	"replaced": {Doc: "Another unit has replaced one of the baseline.", Term: "unit", Cases: map[string]Case{
		"": {Summary: "{device} has replaced the unit recorded in the baseline", Remedy: []Step{
			{Look, "Compare its settings with those of the old unit."},
			{Change, "Record the replacement, and set a new baseline on the page Snapshots."},
		}},
	}},
	"software-behind": {Doc: "A device runs an older release than the current one of its sheet, or a withdrawn release.", Term: "unit",
		Cases: map[string]Case{
			"": {Summary: "{device} runs {version}; the current release is {current}{withdrawn}", Remedy: []Step{
				{Change, "Open a job on the page Work, and make its work order."},
			}},
			"withdrawn": {Summary: "{device} runs {version}, which was withdrawn: {why}", Remedy: []Step{
				{Look, "See the manufacturer's instructions for an older release."},
				{Change, "Follow them, or wait for a newer release."},
			}},
		}},
	"store-failing": {Doc: "muster cannot read or write its store.", Term: "boat computer", Cases: map[string]Case{
		"": {Summary: "muster cannot write its store: history, alerts and work are in memory only", Remedy: []Step{
			{Look, "Check the free space of the disk or memory card. A power cut now loses what is not written."},
			{Change, "Free some space, or replace the card if it is worn out. muster then writes everything."},
		}},
		"unreadable": {Summary: "muster could not read its store at the start, and the content is lost", Remedy: []Step{
			{Look, "Check the disk or memory card. A card that damaged a file once does so again."},
			{Look, "{aside}"},
			{Change, "Set the baseline again (page Snapshots), the silences (page Silences), and what was entered by hand (page Work)."},
			{Change, "Then acknowledge this alert on the page Boat."},
		}},
		"damaged": {Summary: "muster could not read all of its store at the start (lost: {lost})", Remedy: []Step{
			{Look, "Check the disk or memory card. A card that damaged a file once does so again."},
			{Look, "{aside}"},
			{Change, "Look whether the baseline (page Snapshots), the silences (page Silences) and what was entered by hand (page Work) are complete. Set again what is missing."},
			{Change, "Then acknowledge this alert on the page Boat."},
		}},
	}},
}

// layoutTexts are the texts of the checks of a layout.
var layoutTexts = map[string]Text{
	"backbone-too-long": {Doc: "The backbone is longer than its cable allows.", Term: "backbone", Cases: map[string]Case{
		"": {Summary: "The backbone is {length} m long (limit {limit} m for its lightest cable)", Remedy: []Step{
			beforeWiring,
			{Change, "Shorten the backbone, use heavier cable throughout, or divide it into two networks."},
		}},
		"ends": {Summary: "The backbone is {length} m long with the drop cables beyond its ends, {cable} m without (limit {limit} m)", Remedy: []Step{
			beforeWiring,
			{Change, "Shorten the drop cables at the ends, or extend the backbone to those devices and move the terminators there."},
		}},
	}},
	"drop-cable-too-long": {Doc: "A drop cable, or the sum of all drop cables, is too long.", Term: "drop cable", Cases: map[string]Case{
		"": {Summary: "Drop cable from {at} to {device} is {length} m (limit {limit} m)", Remedy: []Step{
			beforeWiring,
			{Change, "Extend the backbone to within {limit} m of the device, and fit a tee there."},
		}},
		"sum": {Summary: "All drop cables together are {length} m long (limit {limit} m)", Remedy: []Step{
			beforeWiring,
			{Change, "Shorten drop cables, or move tees nearer to the devices."},
		}},
	}},
	"feeds-not-isolated": {Doc: "Two power feeds work on the same conductors.", Term: "power feed", Cases: map[string]Case{
		"": {Summary: "The power feeds at {feeds} are not isolated from each other", Remedy: []Step{
			beforeWiring,
			{Change, "Feed the backbone from one of them, or fit an isolating power tee between them."},
		}},
	}},
	"tee-overfull": {Doc: "A multi-port tee has more drop cables than ports in the layout.", Term: "tee", Cases: map[string]Case{
		"": {Summary: "The tee at {at} has {count} drop cables on {ports} ports", Remedy: []Step{
			beforeWiring,
			{Look, "Find how these devices are connected on the boat. Correct the layout on the page Network if it is wrong."},
			{Change, "Otherwise fit another tee."},
		}},
	}},
	"load-too-high": {Doc: "A device, cable or fuse is above its rating, or the devices report more load than the layout has.",
		Term: "network power", Cases: map[string]Case{
			"device": {Summary: "{device} has load equivalency {load} (limit {limit}, 1 A, from the backbone)", Remedy: []Step{
				beforeWiring,
				{Change, "Give this device a power feed of its own."},
			}},
			"cable": {Summary: "{amps} A flow from {from} to {to}: {cable} cable is rated for {rating} A", Remedy: []Step{
				beforeWiring,
				{Change, "Use heavier cable there, or feed the backbone nearer to the load."},
			}},
			"fuse": {Summary: "The power feed at {at} gives {amps} A through a fuse of {fuse} A", Remedy: []Step{
				beforeWiring,
				{Look, "Check the rating of the cable. Never fit a fuse that is larger."},
				{Change, "Divide the load over two power feeds with an isolating power tee."},
			}},
			"feed-cable": {Summary: "{amps} A flow through the cable of the power feed at {at}: {cable} cable is rated for {rating} A",
				Remedy: []Step{
					beforeWiring,
					{Change, "Use heavier cable for the power feed, or divide the load over two with an isolating power tee."},
				}},
			"fuse-too-large": {Summary: "The fuse at {at} is {fuse} A: the {cable} cable behind it is rated for {rating} A", Remedy: []Step{
				beforeWiring,
				{Change, "Fit a fuse that protects the cable."},
			}},
			"declared": {Summary: "The devices report load equivalency {load} (layout: {limit})", Remedy: []Step{
				{Change, "Enter the reported figures in the layout on the page Network. Then check the layout with muster backbone."},
			}},
		}},
	"terminator": {Doc: "The backbone does not have exactly one terminator at each end.", Term: "terminator", Cases: map[string]Case{
		"count": {Summary: "The end {end} of the backbone has {count} terminators", Remedy: []Step{
			beforeWiring,
			{Change, "Fit exactly one terminator of 120 ohm at each end of the backbone."},
		}},
		"place": {Summary: "The terminator at {at} is not at an end of the backbone", Remedy: []Step{
			beforeWiring,
			{Change, "Remove it. Terminators belong at the two ends only."},
		}},
		"resistance": {Summary: "Termination resistance between NET-H and NET-L is {ohm} ohm: {meaning}", Remedy: []Step{
			beforeWiring,
			{Measure, "Measure again after each repair. About 60 ohm is right."},
		}},
	}},
	"voltage-drop": {Doc: "Network power is too low or too high on the backbone, or differs from the layout.", Term: "voltage drop",
		Cases: map[string]Case{
			"low": {Summary: "{device} at {at} would get {volts} V (limit {limit} V)", Remedy: feedSteps},
			"no-power": {Summary: "No network power reaches {devices}", Remedy: []Step{
				beforeWiring,
				{Change, "Feed the part behind the isolating power tee, or remove that tee."},
			}},
			"spread": {Summary: "Voltage drop along the network is {volts} V (limit {limit} V)", Remedy: feedSteps},
			"high": {Summary: "The power feed at {at} has {volts} V (limit {limit} V)", Remedy: []Step{
				beforeWiring,
				{Change, "Feed the backbone from 12 V. On a 24 V boat, use a converter."},
			}},
			"reading": {Summary: "Voltage measured at {at} is {volts} V (calculated: {expected} V)", Remedy: differsSteps},
			"feed": {Summary: "{device} measures {volts} V at the power feed {at} (layout: {expected} V)", Remedy: []Step{
				{Change, "Enter the measured voltage in the layout on the page Network. Then check the layout with muster backbone."},
			}},
			"outlet": {Summary: "{device} measures {volts} V (calculated: {expected} V)", Remedy: differsSteps},
			"spread-now": {Summary: "With the reported loads, voltage drop along the network is {volts} V (limit {limit} V)", Remedy: []Step{
				{Change, "Enter the reported loads in the layout on the page Network. Then muster backbone names the best place for a power feed."},
			}},
			"low-now": {Summary: "With the measured battery voltage, {device} at {at} gets {volts} V (limit {limit} V)", Remedy: []Step{
				beforeWiring,
				{Measure, "Measure the voltage at the battery and at the power feed."},
				{Look, "If the two differ, look for a faulty contact, fuse or ground between them."},
				{Change, "Charge the battery."},
			}},
		}},
}

var (
	feedSteps    = []Step{beforeWiring, {Change, "{feed}"}}
	differsSteps = []Step{
		beforeWiring,
		{Look, "Look for a corroded contact and for cable that is longer or lighter than in the layout."},
		{Look, "Look for a load that is not in the layout."},
	}
)
