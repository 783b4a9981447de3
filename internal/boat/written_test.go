package boat_test

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

func init() {
	boat.Schema = report.Schema
	boat.Write = func(s *boat.State) ([]byte, error) { return write(report.New(s, nil)) }
}

func write(r *report.Report) ([]byte, error) {
	out, err := json.MarshalIndent(r, "", "  ")
	return append(out, '\n'), err
}

func encode(t testing.TB, r *report.Report) []byte {
	t.Helper()
	out, err := write(r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestSchemaOfEveryKey(t *testing.T) {
	r := fullReport()
	if err := boat.Validate(t, encode(t, r)); err != nil {
		t.Error(err)
	}
	var keys map[string]any
	if err := json.Unmarshal(encode(t, r), &keys); err != nil {
		t.Fatal(err)
	}
	keys["more"] = 1
	bad, _ := json.Marshal(keys)
	if boat.Validate(t, bad) == nil {
		t.Error("an unknown key passes")
	}
}

// fullReport has a value in every field that the JSON carries.
func fullReport() *report.Report {
	r := report.New(boat.Story(), nil)
	yes, n8, n16, n32 := true, uint8(9), uint16(9), uint32(9)
	r.Networks[0].ListenOnly, r.Networks[0].State = true, "passive"
	r.Networks[0].SamplePoint, r.Networks[0].RestartMS = .875, &n32
	r.Networks[0].Faults = boat.Faults{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19}
	d := &r.Devices[0]
	d.Own, d.Restarts, d.Unanswered, d.Receives, d.Declares = true, 3, "does not answer", []uint32{1}, []uint32{2}
	d.Product = &boat.Product{&n16, &n16, "a", "b", "c", "d", &n8, &n8}
	d.Installation = &boat.Installation{"a", "b", "c"}
	d.Transmits[0].Available, d.Transmits[0].Selector, d.Transmits[0].Instance = &yes, &n8, &n8
	r.Talkers[0].Identity = &boat.TalkerIdentity{"a", "b", "c", "d", "e", "f", "g"}
	r.Talkers[0].Heartbeat = &boat.Heartbeat{r.TakenAt, &yes, 30, 1}
	r.Talkers[0].Texts = []boat.Text{{r.TakenAt, "01", "a"}}
	r.Manual = []boat.Manual{{"horn", boat.RoleDeck, "a", "", "b", "c", "d", "e", "f", "g", r.TakenAt}}
	r.Alerts = []alert.Alert{{ID: "duplicate-name:a", Check: "duplicate-name", Severity: check.Warning, State: alert.StatusOpen, Since: r.TakenAt, Until: r.TakenAt,
		Flapping: true, AcknowledgedBy: "by", AcknowledgedAt: r.TakenAt, SilencedUntil: r.TakenAt, Accepted: "on purpose",
		Devices: []string{d.ID}, Network: "can0", Summary: "s", Evidence: map[string]any{"n": 1.0}, Remedy: "r"}}
	return r
}

func TestWrittenRoundTrip(t *testing.T) {
	want := encode(t, fullReport())
	var r report.Report
	if err := json.Unmarshal(want, &r); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(encode(t, &r))); d != "" {
		t.Error(d)
	}
}
