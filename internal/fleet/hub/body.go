package hub

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"time"
	"unicode/utf8"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/fleet"
	"muster/internal/input"
	"muster/internal/report"
)

// changeSchema names the shape of a changed alert.
const changeSchema = "muster.alert-change/v1"

// Bounds of a body. What is beyond them did not come from a boat's networks.
const (
	maxDevices = 2000
	maxAlerts  = 1000
	maxText    = 512 // bytes of one text; longer ones are cut
)

// message is one message of a boat, taken apart.
type message struct {
	boat     string
	kind     fleet.Kind
	envelope *fleet.Envelope
	at       stamp
	received time.Time // by the server's clock

	devices  []Device
	replaced []Device // of the report, by others
	alerts   []Alert
	change   *alert.Change
}

// refusedError is why a message is set apart.
type refusedError struct {
	reason  string
	unowned bool // the boat is unknown: none is blamed
}

func (e *refusedError) Error() string { return e.reason }

func refuse(format string, args ...any) error {
	return &refusedError{reason: fmt.Sprintf(format, args...)}
}

// read takes a message apart. The error is why it must be set apart; it never reports a failure of the hub's own.
func read(codec *fleet.Codec, subject, id string, data []byte) (*message, error) {
	who, kind, err := fleet.ParseSubject(subject)
	if err != nil {
		return nil, &refusedError{reason: err.Error(), unowned: true}
	}
	m := &message{boat: who, kind: kind}
	if id == "" {
		// Answers of the server can be led onto a boat's subject by whoever names it as the place for an answer.
		return m, &refusedError{reason: "no message id", unowned: true}
	}
	if m.at.Board, m.at.Seq, err = fleet.ParseMessageID(id); err != nil {
		return m, refuse("%v", err)
	}
	if !kind.Known() {
		return m, refuse("kind %q is not known: this hub may be older than the boat's muster", kind)
	}
	if m.envelope, err = codec.Decode(data); err != nil {
		return m, refuse("%v", err)
	}
	if got := m.envelope.Boat.ID; got != who {
		return m, refuse("names boat %q, but was sent as %q", clip(got), who)
	}
	switch kind {
	case fleet.KindReport:
		var r report.Report
		if r, err = readReport(m.envelope.Body, who); err == nil {
			m.devices, m.replaced = rows(&r)
			m.alerts = alerts(r.Alerts)
		}
	case fleet.KindAlert:
		m.change, err = readChange(m.envelope.Body, who)
	case fleet.KindSnapshot:
		var object *struct{}
		if err = input.OpenJSON(context.Background(), "", m.envelope.Body, &object); err != nil || object == nil {
			err = refuse("the snapshot is no JSON object")
		}
	case fleet.KindRecord:
		var d fleet.Document
		if err = input.OpenJSON(context.Background(), "", m.envelope.Body, &d); err != nil {
			err = refuse("the record cannot be read: %v", err)
		} else if d.Name == "" || len(d.Data) == 0 || d.Media != "application/pdf" && d.Media != "text/html" {
			err = refuse("the record %q has no content, or is neither PDF nor HTML", clip(d.Name))
		}
	}
	return m, err
}

func readReport(body []byte, who string) (report.Report, error) {
	var r report.Report
	if err := input.OpenJSON(context.Background(), "", body, &r); err != nil {
		return r, refuse("the report cannot be read: %v", err)
	}
	switch {
	case !r.Known():
		return r, refuse("report of schema %q is not %q: this hub may be older than the boat's muster", clip(r.Schema), report.V2)
	case r.Boat.ID != "" && r.Boat.ID != who:
		return r, refuse("the report is of boat %q, and was sent as %q", clip(r.Boat.ID), who)
	case r.Entries() > maxDevices:
		return r, refuse("impossible report: %d devices and talkers, more than %d", r.Entries(), maxDevices)
	case len(r.Alerts) > maxAlerts:
		return r, refuse("impossible report: %d alerts, more than %d", len(r.Alerts), maxAlerts)
	}
	r.Complete()
	seen := make(map[[2]string]bool, len(r.Devices))
	for i := range r.Devices {
		key := [2]string{r.Devices[i].Network, r.Devices[i].ID}
		if key[1] == "" || seen[key] {
			return r, refuse("impossible report: device %q of network %q has no id or is listed twice", clip(key[1]), clip(key[0]))
		}
		seen[key] = true
	}
	for i := range r.Alerts {
		if err := checkAlert(&r.Alerts[i]); err != nil {
			return r, err
		}
	}
	return r, nil
}

func readChange(body []byte, who string) (*alert.Change, error) {
	var c struct {
		Schema string `json:"schema"`
		alert.Change
		Boat boat.Identity `json:"boat"`
	}
	if err := input.OpenJSON(context.Background(), "", body, &c); err != nil {
		return nil, refuse("the change of an alert cannot be read: %v", err)
	}
	if c.Schema != changeSchema {
		return nil, refuse("change of schema %q is not %q: this hub may be older than the boat's muster", clip(c.Schema), changeSchema)
	}
	if c.Boat.ID != "" && c.Boat.ID != who {
		return nil, refuse("the change is of boat %q, and was sent as %q", clip(c.Boat.ID), who)
	}
	return &c.Change, checkAlert(&c.Alert)
}

func checkAlert(a *alert.Alert) error {
	if a.Severity.Rank() == 0 || a.Check == "" {
		return refuse("impossible alert: check %q, severity %q", clip(a.Check), clip(string(a.Severity)))
	}
	return nil
}

// rows lists the units of a report, and apart those that others have replaced. Muster itself is left out, and talkers that do not identify
// themselves.
func rows(r *report.Report) (out, replaced []Device) {
	out = make([]Device, 0, len(r.Units))
	for i := range r.Units {
		u := &r.Units[i]
		m := u.ByHand(r)
		switch {
		case u.Device.Own:
		case u.Known():
			d := row(&u.Device)
			if d.ManufacturerCode != nil && u.Device.Talker != "" {
				d.ManufacturerCode = nil // a line has no codes
			}
			if d.ReplacedBy = clip(u.Life.ReplacedBy); d.ReplacedBy != "" {
				replaced = append(replaced, d)
				continue
			}
			out = append(out, d)
		case m != nil:
			out = append(out, Device{ID: clip(m.ID), Role: clip(string(m.Role)), Manufacturer: clip(m.Manufacturer),
				Model: clip(m.Model), Serial: clip(m.Serial),
				Software: clip(m.Software), ByHand: true})
		}
	}
	return out, replaced
}

func row(d *report.Device) Device {
	out := Device{ID: clip(d.ID), Network: clip(d.Network), Role: clip(string(d.Role)), State: boat.DeviceState(clip(string(d.State)))}
	if n := d.Name; n != nil {
		out.Manufacturer = clip(n.Manufacturer.Name)
		if code := n.Manufacturer.Code; code != 0 || n.Manufacturer.Name != "" {
			out.ManufacturerCode = &code
		}
	}
	if p := d.Product; p != nil {
		out.Code, out.Model, out.Serial, out.Software = p.Code, clip(p.Model), clip(p.Serial), clip(p.Software)
	}
	return out
}

func alerts(list []alert.Alert) []Alert {
	var out []Alert
	for i := range list {
		if list[i].State != alert.StatusCleared && list[i].Accepted == "" {
			out = append(out, alertOf(&list[i]))
		}
	}
	return out
}

func alertOf(a *alert.Alert) Alert {
	return Alert{ID: clip(alert.CurrentID(a.ID)), Check: clip(check.ID(a.Check)), Severity: a.Severity,
		State: clip(string(a.State)), Since: a.Since.UTC(),
		Summary: clip(a.Summary), Remedy: clip(a.Remedy)}
}

// clip bounds a text and takes out what no terminal or page should be sent.
func clip(s string) string {
	if len(s) > maxText {
		n := maxText
		for n > 0 && !utf8.RuneStart(s[n]) {
			n--
		}
		s = s[:n] + "…"
	}
	return boat.Printable(s)
}

// apply takes a message into the record of its boat and returns how it compares with those before it.
func (r *record) apply(m *message) news {
	n := r.heard(m.at, m.received)
	if n == repeated {
		return repeated
	}
	used := true
	switch m.kind {
	case fleet.KindReport:
		if used = r.report(m.at, m.received, m.devices, m.replaced, m.alerts); used {
			e := m.envelope
			r.Name, r.Version, r.MadeAt = clip(e.Boat.Name), clip(e.Version), sane(e.MadeAt)
			r.Clock, r.Metrics = boat.Clock(clip(string(e.Clock))), metricsURL(e.Metrics)
		}
	case fleet.KindAlert:
		used = r.alert(m.at, m.change)
	}
	if !used {
		return late
	}
	return n
}

// sane leaves out a time that JSON cannot carry.
func sane(t time.Time) time.Time {
	if y := t.Year(); y < 1 || y > 9999 {
		return time.Time{}
	}
	return t.UTC()
}

// metricsURL leaves out what is not the address of a page to scrape.
func metricsURL(text string) string {
	u, err := url.Parse(text)
	if err != nil || len(text) > maxText || !slices.Contains([]string{"http", "https"}, u.Scheme) || u.Host == "" || u.User != nil {
		return ""
	}
	return u.String()
}

func asRefused(err error) *refusedError {
	if e, ok := errors.AsType[*refusedError](err); ok {
		return e
	}
	return &refusedError{reason: err.Error()}
}
