package render

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Group is the units of one role, by the devices that represent them.
type Group struct {
	Role    boat.Role
	Devices []*report.Device // in the report's order
}

// Groups sorts units by role, in the order of boat.Roles. A unit without a role is in RoleOther. Talkers that do not report what they are,
// and what was entered by hand, are in none.
func Groups(r *report.Report) []Group {
	byRole := map[boat.Role][]*report.Device{}
	known := boat.Roles()
	for i := range r.Units {
		d := &r.Units[i].Device
		if !r.Units[i].Known() {
			continue
		}
		role := d.Role
		if !slices.Contains(known, role) {
			role = boat.RoleOther
		}
		byRole[role] = append(byRole[role], d)
	}
	var groups []Group
	for _, role := range known {
		if devices := byRole[role]; len(devices) > 0 {
			groups = append(groups, Group{Role: role, Devices: devices})
		}
	}
	return groups
}

// SortedAlerts returns the alerts with the most severe first, cleared ones last; otherwise in the report's order.
func SortedAlerts(r *report.Report) []alert.Alert {
	alerts := slices.Clone(r.Alerts)
	slices.SortStableFunc(alerts, func(a, b alert.Alert) int {
		aCleared, bCleared := a.State == alert.StatusCleared, b.State == alert.StatusCleared
		if aCleared != bCleared {
			if aCleared {
				return 1
			}
			return -1
		}
		return cmp.Compare(b.Severity.Rank(), a.Severity.Rank())
	})
	return alerts
}

// DeviceTitle is what a technician calls the device: its model, else the one that it was last known as, else its function, else its id.
// Text that came from the device is made printable.
func DeviceTitle(d *report.Device) string {
	if d.Product != nil && d.Product.Model != "" {
		return boat.Printable(d.Product.Model)
	}
	if d.LastKnown != nil && d.LastKnown.Product.Model != "" {
		return boat.Printable(d.LastKnown.Product.Model) + " (last known)"
	}
	if d.Name != nil && d.Name.DeviceFunction.Name != "" {
		return boat.Printable(d.Name.DeviceFunction.Name)
	}
	if d.State == boat.Provisional && d.Address != nil {
		return "unclaimed address"
	}
	return boat.Printable(d.ID)
}

// DeviceManufacturer is the manufacturer's name, its code when only that is known, or nothing.
func DeviceManufacturer(d *report.Device) string { return boat.Printable(d.Manufacturer()) }

// DeviceInstances is the device instance, with the system instance when it is not 0 and the data instances when
// there are any: "0", "1 (system 2)", "0 data 0,1".
func DeviceInstances(d *report.Device) string {
	var s string
	if d.Name != nil && d.Talker == "" {
		s = strconv.Itoa(int(d.Name.DeviceInstance))
		if d.Name.SystemInstance != 0 {
			s += fmt.Sprintf(" (system %d)", d.Name.SystemInstance)
		}
	}
	var data []int
	for i := range d.Transmits {
		if in := d.Transmits[i].Instance; in != nil && !slices.Contains(data, int(*in)) {
			data = append(data, int(*in))
		}
	}
	if len(data) == 0 {
		return s
	}
	slices.Sort(data)
	var words []string
	for _, n := range data {
		words = append(words, strconv.Itoa(n))
	}
	return strings.TrimSpace(s + " data " + strings.Join(words, ","))
}

// Percent writes a share 0..1 with one decimal.
func Percent(share float64) string { return strconv.FormatFloat(share*100, 'f', 1, 64) + " %" }

// Stamp writes a time for people, to the second in UTC, or "unset".
func Stamp(t event.Time) string {
	if t.IsZero() {
		return "unset"
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

// spaces puts a space before and after the units of a duration.
var spaces = strings.NewReplacer("ms", " ms", "h", " h ", "m", " min ", "s", " s")

// Span writes how long a window lasts, to the second, or to the millisecond below one: "2 min 30 s".
func Span(w boat.Window) string {
	d := w.To.Sub(w.From)
	if d < time.Second {
		return spaces.Replace(d.Round(time.Millisecond).String())
	}
	return spaces.Replace(d.Round(time.Second).String())
}

// Grouped writes a count with a space between each three digits.
func Grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + " " + s[i:]
	}
	return s
}

// NetworkWords is the kind and speed of a network: "NMEA 2000", "250 kbit/s"; and how its controller is set up, where
// the driver reports it.
func NetworkWords(n *report.Network) []string {
	words, unit, rate := "NMEA 2000", "kbit/s", float64(n.BitRate)/1000
	if n.Kind == event.NMEA0183 {
		words, unit, rate = "NMEA 0183", "baud", float64(n.BitRate)
	}
	list := []string{words}
	if n.Source != "" {
		list = append(list, "from "+boat.Printable(n.Source))
	}
	if rate == 0 {
		return list
	}
	list = append(list, fmt.Sprintf("%g %s", rate, unit))
	if n.SamplePoint != 0 {
		list = append(list, fmt.Sprintf("sample point %.3g %%", n.SamplePoint*100))
	}
	switch {
	case n.RestartMS == nil:
	case *n.RestartMS == 0:
		list = append(list, "no restart after bus-off")
	default:
		list = append(list, fmt.Sprintf("restart %d ms after bus-off", *n.RestartMS))
	}
	return list
}

// FaultWords lists the counts that are not zero, each as "3 incomplete messages".
func FaultWords(f boat.Faults) []string {
	var words []string
	for _, e := range FaultList(f) {
		if e.Count > 0 {
			words = append(words, e.Words())
		}
	}
	return words
}

// Fault is how often something went wrong on a network.
type Fault struct {
	Reason string // the key of the report, which is also the metric label
	Count  uint64
}

// Words is the fault for people: "3 incomplete messages".
func (f Fault) Words() string {
	words := KeyWords(f.Reason)
	if f.Count == 1 {
		words = singular.Replace(words)
	}
	return Grouped(f.Count) + " " + words
}

// singular turns the words of several faults into those of one.
var singular = strings.NewReplacer("frames", "frame", "messages", "message", "errors", "error", "records", "record", "jumps", "jump",
	"lines", "line", "losses", "loss", "devices", "device")

// KeyWords writes a key of the report for people: "no-address" is "no address", "present" is "online".
func KeyWords(key string) string {
	if words, ok := wordsOfKey[key]; ok {
		return words
	}
	return keySpaces.Replace(key)
}

var keySpaces = strings.NewReplacer("_", " ", "-", " ")

// wordsOfKey are the keys that have other words than their own.
var wordsOfKey = map[string]string{
	string(boat.Present): "online", string(boat.Gone): "offline", "bus_off": "bus-off", "dropped": "dropped frames", "broken_sequences": "incomplete messages",
	"assemblies_shed": "messages given up to save memory", "untracked": "devices or messages beyond the memory limit",
	"displaced":        "devices removed to save memory",
	"awaiting-reentry": "waiting for its settings", "source_lost": "losses of the source", "unchecked_lines": "lines without a checksum",
}

// FaultList is every fault of a network in the report's order.
func FaultList(f boat.Faults) []Fault {
	return []Fault{
		{"error_frames", f.ErrorFrames}, {"bus_off", f.BusOff}, {"dropped", f.Dropped},
		{"broken_sequences", f.BrokenSequences}, {"lost_messages", f.LostMessages}, {"transport_errors", f.TransportErrors},
		{"assemblies_shed", f.AssembliesShed}, {"standard_frames", f.StandardFrames},
		{"remote_frames", f.RemoteFrames}, {"oversize_frames", f.OversizeFrames},
		{"invalid_messages", f.InvalidMessages}, {"damaged_records", f.DamagedRecords},
		{"time_jumps", f.TimeJumps}, {"untracked", f.Untracked}, {"displaced", f.Displaced}, {"source_lost", f.SourceLost},
		{"checksum_errors", f.ChecksumErrors}, {"garbled_lines", f.GarbledLines}, {"unchecked_lines", f.UncheckedLines},
	}
}

// Enumerate writes a list for people; of a long one, the first entries and how many more there are.
func Enumerate(words []string) string {
	const most = 8
	if len(words) > most+1 {
		return fmt.Sprintf("%s and %d more", strings.Join(words[:most], ", "), len(words)-most)
	}
	return strings.Join(words, ", ")
}

// TitleAt is the device's title with its address, which distinguishes two of one model.
func TitleAt(d *report.Device) string {
	if d.Address == nil {
		return DeviceTitle(d)
	}
	return fmt.Sprintf("%s (%d)", DeviceTitle(d), *d.Address)
}

// Ago is how long before now t was, in words.
func Ago(now, t event.Time) string {
	if t.IsZero() || now.IsZero() {
		return "unknown"
	}
	switch d := now.Sub(t); {
	case d < 2*time.Second:
		return "just now"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	default:
		return fmt.Sprintf("%.0f days ago", d.Hours()/24)
	}
}

// TalkerTitle is what a technician calls the talker: its model when it is reported, and its letters and network.
func TalkerTitle(t *report.Talker) string { return boat.Printable(t.Label()) }

// BusShare is the share of the bit rate that a device takes, "" when it is not known or it takes none.
func BusShare(d *report.Device) string {
	if d.Load < 0.0005 {
		return ""
	}
	return Percent(d.Load)
}
