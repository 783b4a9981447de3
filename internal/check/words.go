package check

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// others yields the devices that match keep; muster itself and the past of units that go by another NAME are none of them.
func (p *Pass) others(keep func(*boat.Device) bool) []*boat.Device {
	var list []*boat.Device
	for i := range p.State.Devices {
		if d := &p.State.Devices[i]; !d.Own && !d.Left && keep(d) {
			list = append(list, d)
		}
	}
	return list
}

// units yields what represents the units aboard that match keep.
func (p *Pass) units(keep func(*boat.Device) bool) []*boat.Device {
	var list []*boat.Device
	for _, u := range p.State.Aboard() {
		if keep(&u.Device) {
			list = append(list, &u.Device)
		}
	}
	return list
}

// unitIDs are the ids of the units whose presences the ids name, sorted, each once.
func (p *Pass) unitIDs(ids []string) []string {
	type known struct{}
	units := Once(p, known{}, func() map[string]string {
		of := make(map[string]string, len(p.State.Devices))
		for i := range p.State.Devices {
			of[p.State.Devices[i].ID] = p.State.Devices[i].Unit
		}
		return of
	})
	ids = slices.Clone(ids)
	for i, id := range ids {
		ids[i] = cmp.Or(units[id], id)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

// on narrows a list to one network.
func on(list []*boat.Device, network string) []*boat.Device {
	var some []*boat.Device
	for _, d := range list {
		if d.Network == network {
			some = append(some, d)
		}
	}
	return some
}

// networks yields the networks of one kind.
func (p *Pass) networks(kind event.NetworkKind) []*boat.Network {
	var list []*boat.Network
	for i := range p.State.Networks {
		if n := &p.State.Networks[i]; n.Kind == kind {
			list = append(list, n)
		}
	}
	if len(list) == 0 && kind == event.NMEA0183 {
		p.lacking = "no NMEA 0183 line is read"
	} else if len(list) == 0 {
		p.lacking = "no NMEA 2000 backbone is read"
	}
	return list
}

// own are muster's presences.
func (p *Pass) own() []*boat.Device {
	type own struct{}
	return Once(p, own{}, func() (list []*boat.Device) {
		for i := range p.State.Devices {
			if d := &p.State.Devices[i]; d.Own {
				list = append(list, d)
			}
		}
		return list
	})
}

// asking reports whether muster itself holds an address on the network and so puts the standard questions.
func (p *Pass) asking(network string) bool {
	return slices.ContainsFunc(p.own(), func(d *boat.Device) bool { return d.Network == network })
}

// isOwn reports whether a NAME is muster's.
func (p *Pass) isOwn(name string) bool {
	return slices.ContainsFunc(p.own(), func(d *boat.Device) bool { return d.ID == name })
}

// device is the device of that id on a network, which is neither muster itself nor the past of a unit; nil for none.
func (p *Pass) device(network, id string) *boat.Device {
	type known struct{}
	return Once(p, known{}, func() map[[2]string]*boat.Device {
		m := map[[2]string]*boat.Device{}
		for _, d := range p.others(func(*boat.Device) bool { return true }) {
			m[[2]string{d.Network, d.ID}] = d
		}
		return m
	})[[2]string{network, id}]
}

func speaking(d *boat.Device) bool { return d.State == boat.Present || d.State == boat.Provisional }

// recent is how old the last message of a kind may be to count as being sent.
const recent = boat.StillSent

func (p *Pass) sending(t *boat.Transmit) bool { return t.Sending(p.Now) }

// label names a device as a technician would: by model when it reported it, else by manufacturer and function, and by
// its address.
func label(d *boat.Device) string {
	what := "device"
	manufacturer := ""
	if d.Name != nil {
		manufacturer = d.Name.Manufacturer.Name
		if d.Name.DeviceFunction.Name != "" {
			what = strings.ToLower(d.Name.DeviceFunction.Name)
		}
	}
	if d.Product != nil && d.Product.Model != "" {
		what = d.Product.Model
		if first, _, _ := strings.Cut(manufacturer, " "); first != "" && strings.HasPrefix(strings.ToLower(what), strings.ToLower(first)) {
			manufacturer = ""
		}
	}
	if manufacturer != "" {
		what = manufacturer + " " + what
	}
	if d.Address == nil {
		return what + " (no address)"
	}
	return fmt.Sprintf("%s (address %d)", what, *d.Address)
}

// labels names several devices, at most five of them.
func labels(list []*boat.Device) string {
	return enumerateBy(len(list), func(i int) string { return label(list[i]) })
}

// enumerate joins words as in "a, b and c"; beyond five it counts the rest.
func enumerate(words []string) string {
	return enumerateBy(len(words), func(i int) string { return words[i] })
}

// enumerateBy is enumerate of n words, of which it makes only those that it writes.
func enumerateBy(n int, word func(int) string) string {
	const most = 5
	words := make([]string, min(n, most))
	for i := range words {
		words[i] = word(i)
	}
	switch {
	case n > most:
		return fmt.Sprintf("%s and %d more", strings.Join(words, ", "), n-most)
	case n < 2:
		return strings.Join(words, "")
	}
	return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
}

// plural is "1 device" or "3 devices".
func plural[T int | uint64](n T, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

func ids(list []*boat.Device) []string {
	out := make([]string, 0, len(list))
	for _, d := range list {
		out = append(out, d.ID)
	}
	slices.Sort(out)
	return out
}

// span writes a duration in at most two units: "45 s", "3 min 20 s", "2 h 5 min", "4 d 1 h".
func span(d time.Duration) string {
	units := []struct {
		d    time.Duration
		name string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}}
	if d < time.Second {
		return fmt.Sprintf("%d ms", d.Milliseconds())
	}
	d = d.Round(time.Second)
	for i, u := range units {
		if d < u.d {
			continue
		}
		s := fmt.Sprintf("%d %s", d/u.d, u.name)
		if i+1 < len(units) {
			if rest := d % u.d / units[i+1].d; rest > 0 {
				s += fmt.Sprintf(" %d %s", rest, units[i+1].name)
			}
		}
		return s
	}
	return "0 s"
}

// since is " for 3 min", or nothing when the start is unknown.
func (p *Pass) since(t event.Time) string {
	if t.IsZero() || p.Now.Sub(t) < time.Second {
		return ""
	}
	return " for " + span(p.Now.Sub(t))
}

// capital begins a sentence with the words.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// percent is a share in whole percent.
func percent(share float64) string { return fmt.Sprintf("%.0f", 100*share) }

// round cuts a figure to two decimals for the evidence.
func round(x float64) float64 { return math.Round(x*100) / 100 }

// earliest is the earliest set time.
func earliest(times ...event.Time) event.Time {
	var first event.Time
	for _, t := range times {
		if !t.IsZero() && (first.IsZero() || t < first) {
			first = t
		}
	}
	return first
}

// unaddressed is the label without the address.
func unaddressed(d *boat.Device) string {
	bare := *d
	bare.Address = nil
	return strings.TrimSuffix(label(&bare), " (no address)")
}

// addressOf is "address 35", or the id of a device that has no address.
func addressOf(d *boat.Device) string {
	if d.Address == nil {
		return d.ID
	}
	return fmt.Sprintf("address %d", *d.Address)
}

// evidence builds the map from keys and values in turn. Unset times, empty strings and empty lists are left out.
func evidence(pairs ...any) map[string]any {
	m := make(map[string]any, len(pairs)/2)
	for i := 0; i+1 < len(pairs); i += 2 {
		v := pairs[i+1]
		switch x := v.(type) {
		case event.Time:
			if x.IsZero() {
				continue
			}
			v = x.String()
		case string:
			if x == "" {
				continue
			}
		case []string:
			if len(x) == 0 {
				continue
			}
		case []int:
			if len(x) == 0 {
				continue
			}
		case uint32:
			if x == 0 {
				continue
			}
		}
		m[pairs[i].(string)] = v
	}
	return m
}

// numbers widens addresses, which JSON would write as base64.
func numbers(list []uint8) []int {
	out := make([]int, 0, len(list))
	for _, n := range list {
		out = append(out, int(n))
	}
	return out
}

func addresses(list []uint8) string {
	words := make([]string, 0, len(list))
	for _, n := range list {
		words = append(words, fmt.Sprint(n))
	}
	return enumerate(words)
}

func stamps(times []event.Time) []string {
	out := make([]string, 0, len(times))
	for _, t := range times {
		out = append(out, t.String())
	}
	return out
}

// messages lists the PGNs that a device sends, each once, ascending.
func messages(d *boat.Device) []int {
	var list []int
	for i := range d.Transmits {
		list = append(list, int(d.Transmits[i].PGN))
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// lately is how often a fault came in the last full minute. Of a recording, what came after that counts too: there is no later minute.
func (p *Pass) lately(n *boat.Network, of func(*boat.Faults) uint64) uint64 {
	if p.Settings.Recorded {
		return max(of(&n.Recent), of(&n.Latest))
	}
	return of(&n.Recent)
}

// load is that of the last full minute; see lately.
func (p *Pass) load(n *boat.Network) float64 {
	if p.Settings.Recorded {
		return max(n.LoadRecent, n.LoadLatest)
	}
	return n.LoadRecent
}
