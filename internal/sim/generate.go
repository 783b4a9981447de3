package sim

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// generate adds made-up devices until the scenario has as many as it asks for. They are of the kinds a boat has many of.
func (sc *Scenario) generate() {
	models := []Device{
		{Manufacturer: 2003, Class: 75, Function: 150, Model: "Sanderling TK4 tank sender", Software: "1.08", Sends: []Send{{PGN: 127505}}},
		{Manufacturer: 2003, Class: 75, Function: 130, Model: "Sanderling TH2 temperature", Software: "2.1.4", Sends: []Send{{PGN: 130312, Variant: 4}}},
		{Manufacturer: 2003, Class: 35, Function: 170, Model: "Sanderling Tavrik 7 monitor", Software: "3.20", Sends: []Send{{PGN: 127508}, {PGN: 127506}}},
		{Manufacturer: 2003, Class: 75, Function: 140, Model: "Sanderling PS1 pressure", Software: "1.3", Sends: []Send{{PGN: 130314, Variant: 7}}},
		{Manufacturer: 2001, Class: 120, Function: 130, Model: "Larkfin LF5 instrument", Software: "1.14.2", Receives: []uint32{127250, 128267, 129025, 130306}},
		{Manufacturer: 2003, Class: 30, Function: 140, Model: "Sanderling SW8 switching", Software: "2.40", Sends: []Send{{PGN: 65290}}},
		{Manufacturer: 2002, Class: 75, Function: 130, Model: "Gannet XT1 exhaust sensor", Software: "1.9", Sends: []Send{{PGN: 130316, Variant: 14}}},
	}
	for i := len(sc.Devices); i < sc.Generate; i++ {
		d := models[i%len(models)]
		d.ID = fmt.Sprintf("made-up-%03d", i)
		unique := uint32(500_000 + i)
		d.Unique = &unique
		d.Instance = uint8(i)
		d.Address = uint8(i % (maxDevices))
		d.ProductCode = uint16(9000 + i%len(models))
		d.Serial = fmt.Sprintf("GEN%06d", i)
		d.ModelVersion = "A"
		d.Installation = []string{fmt.Sprintf("Station %d", i), "Generated"}
		d.Information = "Invented for simulation"
		sends := slices.Clone(d.Sends)
		for j := range sends {
			sends[j].Instance = uint8(i / len(models)) // so that no two share an instance
			if sends[j].PGN == 127505 {
				sends[j].Variant = sends[j].Instance / 16 // fluid type: a tank instance has only 4 bits
			}
		}
		d.Sends = sends
		sc.Devices = append(sc.Devices, d)
	}
}

func knownPGNs() string {
	list := make([]string, len(kinds))
	for i := range kinds {
		list[i] = fmt.Sprint(kinds[i].pgn)
	}
	return strings.Join(list, " ")
}

// formatters are those of sentences and of AIS messages, sorted.
func formatters() []string {
	list := append(slices.Collect(maps.Keys(sentences)), "VDM", "VDO")
	slices.Sort(list)
	return list
}

func knownVerbs() string      { return strings.Join(slices.Sorted(maps.Keys(verbs)), " ") }
func knownQuantities() string { return strings.Join(slices.Sorted(maps.Keys(skews)), " ") }
