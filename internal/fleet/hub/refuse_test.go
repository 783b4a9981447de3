package hub

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/fleet"
)

// pack compresses any bytes as an uplink does.
func pack(t testing.TB, text string) []byte {
	t.Helper()
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	return w.EncodeAll([]byte(text), nil)
}

// TestRefused: what cannot be taken in is set apart with the reason, and no other boat sees anything of it.
func TestRefused(t *testing.T) {
	r := newRig(t, nil)
	h := r.hub(t, calm)
	s, other := r.sender(t, "wagtail", "board1"), r.sender(t, "other", "board2")
	other.send(t, fleet.KindReport, testReport("other", 2, "1.0"))
	s.send(t, fleet.KindReport, testReport("wagtail", 2, "1.0"))
	until(t, "both boats", func() bool { return h.Boat("other") != nil && h.Boat("wagtail") != nil })
	before := h.Boat("other")

	future := testReport("wagtail", 1, "1.0")
	future.Schema = "muster.report/v9"
	twice := testReport("wagtail", 2, "1.0")
	twice.Devices[1].ID = twice.Devices[0].ID
	bad := testReport("wagtail", 1, "1.0")
	bad.Alerts = []alert.Alert{{Check: "x", Severity: "dreadful"}}
	e := s.envelope(testReport("wagtail", 1, "1.0"))
	e.Schema = "muster.uplink/v7"
	later, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	lie := s.envelope(testReport("wagtail", 1, "1.0"))
	lie.Boat.ID = "other"
	lying, err := s.codec.Encode(lie)
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, kind, id, want string
		data                 []byte
	}{
		{"no compression", "report", "board1.100", "decode", []byte("{}")},
		{"nothing", "report", "board1.101", "decode", nil},
		{"no JSON", "report", "board1.102", "decode", pack(t, "roll-call")},
		{"more than it may unpack to", "report", "board1.103", "decode", pack(t, strings.Repeat(" ", fleet.MaxDecoded+1))},
		{"two messages", "report", "board1.104", "something follows after the end", pack(t, "{}{}")},
		{"future envelope", "report", "board1.105", "may be older", pack(t, string(later))},
		{"future report", "report", "board1.106", "may be older", s.encode(t, future)},
		{"another boat's envelope", "report", "board1.107", `names boat "other"`, lying},
		{"another boat's report", "report", "board1.108", `of boat "other"`, s.encode(t, testReport("other", 1, "1.0"))},
		{"one device twice", "report", "board1.109", "impossible report", s.encode(t, twice)},
		{"too many devices", "report", "board1.110", "impossible report", s.encode(t, testReport("wagtail", maxDevices+1, "1.0"))},
		{"unknown severity", "report", "board1.111", "impossible alert", s.encode(t, bad)},
		{"unknown kind", "poem", "board1.112", "not known", s.encode(t, testReport("wagtail", 1, "1.0"))},
		{"a report as a change", "alert", "board1.113", "change of schema", s.encode(t, testReport("wagtail", 1, "1.0"))},
		{"empty record", "record", "board1.114", "no content", s.encode(t, fleet.Document{})},
		{"a list as a snapshot", "snapshot", "board1.115", "no JSON object", s.encode(t, []int{1})},
		{"no number", "report", "board1", "message id", s.encode(t, testReport("wagtail", 1, "1.0"))},
	}
	anybody, err := jetstream.New(connect(t, r.url, r.creds(t, "hub"))) // no boat may send an unknown kind
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range tests {
		s := *s
		if !fleet.Kind(tt.kind).Known() {
			s.js = anybody
		}
		if _, err := s.raw("muster.v1.boat.wagtail."+tt.kind, tt.id, tt.data); err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
	}
	if _, err := s.raw(fleet.Subject("wagtail", fleet.KindReport), "", s.encode(t, testReport("wagtail", 1, "1.0"))); err != nil {
		t.Fatal(err)
	}
	until(t, "all are refused", func() bool {
		return h.Stats().Refused == uint64(len(tests)+1) && h.Boat("wagtail").Refused == uint64(len(tests))
	})
	got, err := h.Refusals(t.Context(), 0)
	if err != nil || len(got) != len(tests)+1 {
		t.Fatalf("%d kept aside, %v", len(got), err)
	}
	for _, tt := range tests {
		found := false
		for _, g := range got {
			found = found || strings.Contains(g.Reason, tt.want) && g.Bytes == len(tt.data) && g.Boat == "wagtail"
		}
		if !found {
			t.Errorf("%s: no reason with %q", tt.name, tt.want)
		}
	}
	if b := h.Boat("wagtail"); len(b.Devices) != 2 || len(b.Boards) != 1 || b.Boards[0].Seq != 1 {
		t.Errorf("the boat changed: %+v", b)
	}
	if h.Boat("other") != before {
		t.Error("the other boat changed")
	}
}

// TestOrder: repeated, late and overtaken messages, a second boat computer, and a clock in 1970.
func TestOrder(t *testing.T) {
	r := newRig(t, nil)
	h := r.hub(t, calm)
	s := r.sender(t, "wagtail", "board1")
	publish := func(board string, seq uint64, k fleet.Kind, body any) {
		t.Helper()
		e := s.envelope(body)
		e.MadeAt, e.Clock = time.Unix(int64(seq), 0), boat.ClockUnset // a clock in 1970
		data, err := s.codec.Encode(e)
		if err != nil {
			t.Fatal(err)
		}
		// Under another id each time, as after the server's window, so that the hub must see by itself what is repeated.
		if _, err := s.raw(fleet.Subject("wagtail", k), fleet.MessageID(board, seq), data); err != nil {
			t.Fatal(err)
		}
	}
	taken := func() uint64 {
		st := h.Stats()
		return st.Messages[fleet.KindReport] + st.Messages[fleet.KindAlert] + st.Repeated
	}
	step := func(n uint64, board string, seq uint64, k fleet.Kind, body any) *Boat {
		t.Helper()
		publish(board, seq, k, body)
		until(t, "the message", func() bool { return taken() == n })
		return h.Boat("wagtail")
	}
	step(1, "board1", 10, fleet.KindReport, testReport("wagtail", 10, "1.0"))
	if b := step(2, "board1", 9, fleet.KindReport, testReport("wagtail", 9, "1.0")); len(b.Devices) != 10 || b.MadeAt.Year() != 1970 || time.Since(b.LastHeard) > time.Hour {
		t.Errorf("a late report counts: %d devices, made %v, word %v", len(b.Devices), b.MadeAt, b.LastHeard)
	}
	step(3, "board1", 12, fleet.KindAlert, testChange("wagtail", alert.Raised, testAlert(check.Critical, "a")))
	if b := step(4, "board1", 11, fleet.KindReport, testReport("wagtail", 11, "1.0")); len(b.Devices) != 11 || len(b.Alerts) != 1 {
		t.Errorf("an alert newer than the report is gone: %+v", b.Alerts)
	}
	if b := step(5, "board1", 13, fleet.KindReport, testReport("wagtail", 13, "1.0")); len(b.Alerts) != 0 {
		t.Errorf("an alert older than the report stands: %+v", b.Alerts)
	}
	if b := step(6, "board2", 1, fleet.KindReport, testReport("wagtail", 1, "1.0")); len(b.Devices) != 1 || len(b.Boards) != 2 || b.Turns != 0 || b.Boards[0].ID != "board2" {
		t.Errorf("a new board: %+v", b.Boards)
	}
	if b := step(7, "board1", 14, fleet.KindReport, testReport("wagtail", 14, "1.0")); len(b.Devices) != 14 || b.Turns != 1 || b.Boards[0].ID != "board1" {
		t.Errorf("two boards in turn: %d, %+v", b.Turns, b.Boards)
	}
	if late := h.Stats().Late; late != 1 {
		t.Errorf("%d late", late)
	}
}

// TestHeard compares the window of numbers with a list of them.
func TestHeard(t *testing.T) {
	var r record
	at := time.Unix(1000, 0)
	for _, tt := range []struct {
		seq  uint64
		want news
	}{{5, fresh}, {5, repeated}, {3, fresh}, {3, repeated}, {69, fresh}, {5, late}, {6, fresh}, {6, repeated}, {500, fresh}, {69, late}, {499, fresh}} {
		if got := r.heard(stamp{Board: "b", Seq: tt.seq}, at); got != tt.want {
			t.Errorf("%d: %d, want %d", tt.seq, got, tt.want)
		}
	}
}

// FuzzRead: whatever comes is a message or has a reason, and a message fits a record.
func FuzzRead(f *testing.F) {
	codec := newCodec(f)
	s := &sender{id: "wagtail", board: "b", codec: codec}
	for _, body := range []any{testReport("wagtail", 2, "1.0"), testChange("wagtail", alert.Raised, testAlert(check.Warning, "a")), fleet.Document{Name: "x", Media: "text/html", Data: []byte("x")}, []int{1}} {
		text, err := json.Marshal(s.envelope(body))
		if err != nil {
			f.Fatal(err)
		}
		for _, k := range fleet.Kinds() {
			f.Add(fleet.Subject("wagtail", k), "b.1", text, true)
		}
	}
	f.Add("muster.v1.boat.*.>", "b.0", []byte("x"), false)
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, subject, id string, data []byte, packed bool) {
		if packed {
			data = enc.EncodeAll(data, nil)
		}
		m, err := read(codec, subject, id, data)
		if err != nil {
			if asRefused(err).reason == "" {
				t.Error("refused without a reason")
			}
			return
		}
		var r record
		r.apply(m)
		text, err := json.Marshal(&r)
		if err != nil {
			t.Fatalf("a record that cannot be kept: %v", err)
		}
		var again record
		if err := json.Unmarshal(text, &again); err != nil {
			t.Fatalf("a record that cannot be read: %v", err)
		}
		x := newIndex()
		x.put("wagtail", &r, 1)
		if _, err := x.search(Query{Text: "x"}, nil); err != nil {
			t.Error(err)
		}
		at, rest, err := unpackReport(packReport(m.at, data))
		if err != nil || at != m.at || string(rest) != string(data) {
			t.Error("the kept report differs")
		}
		_, _, _ = unpackReport(data)
	})
}
