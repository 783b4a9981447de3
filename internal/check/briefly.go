package check

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// briefly are the words for one finding of a check and for {n}, where a list shows like ones as one or a summary is too long. Read-only.
var briefly = map[string][2]string{
	"address-contested":   {"1 address is claimed by several devices", "{n} addresses are claimed by several devices"},
	"backbone-too-long":   {"1 backbone is too long", "{n} backbones are too long"},
	"address-shared":      {"1 address is used by several senders", "{n} addresses are used by several senders"},
	"bad-checksum":        {"1 line has sentences with a wrong checksum", "{n} lines have sentences with a wrong checksum"},
	"bus-errors":          {"1 backbone has bus errors", "{n} backbones have bus errors"},
	"bus-load-high":       {"1 backbone has a high bus load", "{n} backbones have a high bus load"},
	"bus-off":             {"muster's adapter was off the bus on 1 backbone", "muster's adapter was off the bus on {n} backbones"},
	"clock-mismatch":      {"1 clock differs", "{n} clocks differ"},
	"commanded":           {"1 unit was configured over the network", "{n} units were configured over the network"},
	"companion-too-old":   {"1 unit needs newer software in another unit", "{n} units need newer software in another unit"},
	"data-loop":           {"1 source sends data of another source again", "{n} sources send data of another source again"},
	"drop-cable-too-long": {"1 drop cable is too long", "{n} drop cables are too long"},
	"duplicate-name":      {"1 NAME is used by several devices", "{n} NAMEs are used by several devices"},
	"empty-data":          {"1 unit sends messages without values", "{n} units send messages without values"},
	"equipment-status":    {"1 unit reports a fault of its own", "{n} units report faults of their own"},
	"feeds-not-isolated":  {"1 group of power feeds is not isolated", "{n} groups of power feeds are not isolated"},
	"foreign-device":      {"1 device on a backbone is not an NMEA 2000 device", "{n} devices on a backbone are not NMEA 2000 devices"},
	"frames-dropped":      {"muster lost frames of 1 network", "muster lost frames of {n} networks"},
	"garbled-line":        {"1 line is garbled", "{n} lines are garbled"},
	"incomplete-messages": {"1 backbone has incomplete messages", "{n} backbones have incomplete messages"},
	"instance-clash":      {"1 instance is used by several units", "{n} instances are used by several units"},
	"line-saturated":      {"1 line is nearly full", "{n} lines are nearly full"},
	"load-too-high":       {"1 load is above the limit", "{n} loads are above the limit"},
	"low-voltage":         {"1 battery has a low voltage", "{n} batteries have a low voltage"},
	"missing":             {"1 unit is missing", "{n} units are missing"},
	"multiple-sources":    {"1 quantity has several sources or copies", "{n} quantities have several sources or copies"},
	"new-device":          {"1 unit is new", "{n} units are new"},
	"no-address":          {"1 unit has no address", "{n} units have no address"},
	"no-heartbeat":        {"1 unit has stopped its heartbeat", "{n} units have stopped their heartbeat"},
	"not-identified":      {"1 unit is not identified", "{n} units are not identified"},
	"order-unknown":       {"The order of releases is unknown for 1 unit", "The order of releases is unknown for {n} units"},
	"replaced":            {"1 unit was replaced", "{n} units were replaced"},
	"restarted":           {"1 unit restarted", "{n} units restarted"},
	"same-serial":         {"1 serial number is used by several units", "{n} serial numbers are used by several units"},
	"sentence-late":       {"1 talker is late", "{n} talkers are late"},
	"silent":              {"1 unit is silent", "{n} units are silent"},
	"slow-data":           {"1 unit sends messages too slowly", "{n} units send messages too slowly"},
	"software-behind":     {"1 unit has old software", "{n} units have old software"},
	"software-differs":    {"Software differs in 1 model or family", "Software differs in {n} models or families"},
	"sources-disagree":    {"Sources disagree on 1 quantity", "Sources disagree on {n} quantities"},
	"store-failing":       {"The store has 1 fault", "The store has {n} faults"},
	"tee-overfull":        {"1 tee has more drop cables than ports", "{n} tees have more drop cables than ports"},
	"terminator":          {"1 terminator is missing or wrong", "{n} terminators are missing or wrong"},
	"too-many-devices":    {"1 backbone has too many units", "{n} backbones have too many units"},
	"unclaimed-source":    {"1 address sends without an address claim", "{n} addresses send without an address claim"},
	"voltage-drop":        {"1 voltage drop is above the limit", "{n} voltage drops are above the limit"},
	"wrong-bit-rate":      {"1 backbone runs at a wrong bit rate", "{n} backbones run at a wrong bit rate"},
}

// Briefly is the short line for n findings of a check; empty for a check that this program does not have.
func Briefly(id string, n int) string {
	if _, known := briefly[id]; !known && n > 1 {
		return fmt.Sprintf("%d findings of %s", n, id)
	}
	if n == 1 {
		return briefly[id][0]
	}
	return strings.ReplaceAll(briefly[id][1], "{n}", strconv.Itoa(n))
}

// Alike puts findings of one check and severity together, whatever they are listed as: the worst first, then by check. Within a group they
// stay in their order; the groups point into the list.
func Alike[T any](list []T, of func(*T) (id string, severity Severity)) [][]*T {
	type kind struct {
		id       string
		severity Severity
	}
	var kinds []kind
	alike := map[kind][]*T{}
	for i := range list {
		id, severity := of(&list[i])
		k := kind{id, severity}
		if alike[k] == nil {
			kinds = append(kinds, k)
		}
		alike[k] = append(alike[k], &list[i])
	}
	slices.SortStableFunc(kinds, func(a, b kind) int {
		return cmp.Or(cmp.Compare(b.severity.Rank(), a.severity.Rank()), cmp.Compare(a.id, b.id))
	})
	groups := make([][]*T, len(kinds))
	for i, k := range kinds {
		groups[i] = alike[k]
	}
	return groups
}

// Distinct are the remedies of like findings, each once.
func Distinct(remedies [][]Step) (list [][]Step) {
	for _, steps := range remedies {
		if len(steps) > 0 && !slices.ContainsFunc(list, func(r []Step) bool { return slices.Equal(r, steps) }) {
			list = append(list, steps)
		}
	}
	return list
}
