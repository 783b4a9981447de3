package release

import (
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Messages that a device sends to manage the network or when asked, whose absence has no meaning (reference: the
// standard's network management group).
var onRequest = map[uint32]bool{59392: true, 59904: true, 60160: true, 60416: true, 60928: true, 65240: true, 126208: true,
	126464: true, 126996: true, 126998: true}

const (
	productPGN      = 126996
	installationPGN = 126998
)

func transmitKey(t *report.Transmit) string {
	k := fmt.Sprint(t.PGN)
	if t.Instance != nil {
		k += fmt.Sprint("/", *t.Instance)
	}
	if t.Selector != nil {
		k += fmt.Sprint("/of ", *t.Selector)
	}
	return k
}

// baseline remembers what a device had before its update.
func (r *record) baseline(d *report.Device) {
	if n := d.Name; n != nil {
		r.Base.Instance = &[2]uint8{n.DeviceInstance, n.SystemInstance}
	}
	if in := d.Installation; in != nil {
		r.Base.Text = [2]string{in.Description1, in.Description2}
	}
	for i := range d.Transmits {
		t := &d.Transmits[i]
		if onRequest[t.PGN] || t.Interval == nil || t.Count < 3 || t.Interval.Mean > 60_000 {
			continue
		}
		r.Base.Messages = append(r.Base.Messages, baseMessage{transmitKey(t), t.PGN, t.Title, t.Instance, t.Interval.Mean})
	}
}

func (r *record) count(d *report.Device) {
	clear(r.Counts)
	for i := range d.Transmits {
		r.Counts[transmitKey(&d.Transmits[i])] += d.Transmits[i].Count
	}
}

func (w *watch) present() bool { return w.device != nil && w.device.State == boat.Present }

// find finds the unit of the step: by its id, or, when the order names it otherwise, by its NAME and serial number.
func (w *watch) find() {
	s := &w.rec.Status
	u := w.report.Unit(s.Device)
	if u == nil || !u.Known() || u.State != boat.Present {
		if o := w.renamed(); o != nil {
			u = o
		}
	}
	if w.device = nil; u != nil && u.Known() {
		w.device = &u.Device
	}
	if s.Now = ""; w.present() && len(u.Presences) > 0 && !w.sendsAs(u, s.Device) {
		s.Now = u.Presences[0].ID
	}
}

// sendsAs reports whether the unit sends under the NAME, which is also its own id when it is known by another since.
func (w *watch) sendsAs(u *report.Unit, id string) bool {
	k := slices.IndexFunc(u.Presences, func(d *report.Device) bool { return d.ID == id })
	return k >= 0 && !u.Presences[k].Left
}

// renamed is the unit that the order means under an id that is not its own.
func (w *watch) renamed() *report.Unit {
	for _, x := range w.report.Aboard() {
		if x.State == boat.Present && !slices.Contains(w.f.state.Known, x.Device.ID) && w.step.Device.is(x) {
			return x
		}
	}
	return nil
}

// gone is since when the device is off the network.
func (w *watch) gone() (event.Time, bool) {
	d := w.device
	switch {
	case w.present():
		return 0, false
	case d != nil:
		return max(d.LastSeen, w.rec.Seen), true
	}
	// A report that has only just begun has few devices; that shows nothing.
	from := w.report.Window.From
	if from == 0 || w.rec.Seen == 0 || w.now.Sub(max(from, w.rec.Seen)) < absentFor {
		return 0, false
	}
	return max(from, w.rec.Seen), true
}

// restarted reports a restart so quick that the device never counted as off the network.
func (w *watch) restarted() (event.Time, bool) {
	if !w.present() || w.rec.Status.Now != "" || w.rec.Seen == 0 || w.device.Restarts <= w.rec.Restarts {
		return 0, false
	}
	w.rec.Restarts = w.device.Restarts
	if times := w.device.LastRestarts(); len(times) > 0 {
		return times[len(times)-1], true
	}
	return w.now, true
}

// network is where the device is, or was at last. The order may be from a capture or another source, which gave the network another name.
func (w *watch) network() string {
	if w.device != nil {
		return w.device.Network
	}
	return w.step.Device.Network
}

// many is from how many other devices on "all of them" separates the network from a few updates side by side.
const many = 3

// outage reports whether the network, or its source, is or was down and the device has had no time yet to come back from that.
func (w *watch) outage() bool {
	others, present := w.others(func(d *report.Device) bool { return d.State == boat.Present })
	down := slices.ContainsFunc(w.report.Networks, func(n report.Network) bool {
		return n.ID == w.network() && n.State == "down"
	})
	switch {
	case down || others >= many && present == 0:
		w.rec.Outage = w.now
	case w.rec.Outage == 0:
		return false
	case w.present():
		w.rec.Restarts, w.rec.Outage = w.device.Restarts, 0
	case w.now.Sub(w.rec.Outage) > time.Duration(w.step.BackWithin)*time.Minute:
		w.rec.Outage = 0
		return false
	}
	return true
}

// together reports whether most of the network restarted at that time.
func (w *watch) together(at event.Time) bool {
	others, restarted := w.others(func(d *report.Device) bool {
		return slices.ContainsFunc(d.LastRestarts(), func(t event.Time) bool { return t.Sub(at).Abs() < 15*time.Second })
	})
	return restarted >= many && 2*restarted >= others
}

// others counts the other devices on the network, and those of them that fit.
func (w *watch) others(fits func(*report.Device) bool) (all, fit int) {
	for _, d := range w.report.On(w.network()) {
		if d.State == boat.Provisional || w.device != nil && d.ID == w.device.ID || d.ID == w.step.Device.ID {
			continue
		}
		all++
		if fits(d) {
			fit++
		}
	}
	return all, fit
}

// reported is whether the device has reported its version since it came back.
func (w *watch) reported() bool {
	v := w.device.Version()
	if trim(v) == "" {
		return false
	}
	if h := w.device.Software; len(h) > 0 && h[len(h)-1].Since > w.rec.Away && h[len(h)-1].Version == v && len(h) > 1 {
		return true
	}
	return !w.f.same(w.i, v, w.step.From) || w.fresh(func(t *report.Transmit) bool { return t.PGN == productPGN })
}

// fresh reports whether a message that keep picks was sent since the device left. A live model has when each message
// came last; a report that was read from JSON only has how many came.
func (w *watch) fresh(keep func(*report.Transmit) bool) bool {
	left := w.rec.Away
	if left == 0 {
		left = w.rec.Base.At
	}
	for i := range w.device.Transmits {
		t := &w.device.Transmits[i]
		if !keep(t) {
			continue
		}
		switch {
		case t.Live != nil:
			if t.Live.Last > left {
				return true
			}
		case w.rec.Status.Now != "" || w.report.Window.From > left:
			if t.Count > 0 {
				return true
			}
		case t.Count != w.rec.Counts[transmitKey(t)]:
			return true
		}
	}
	return false
}
