package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// golden holds text to a file.
func golden(t *testing.T, file string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s; go test ./internal/daemon -update writes it anew:\n%s", file, d)
	}
}

var messageShape = sync.OnceValues(func() (*jsonschema.Schema, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(MessageSchema))
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("schema.json", doc); err != nil {
		return nil, err
	}
	return c.Compile("schema.json")
})

// fitsMessage compares a body with the published schema.
func fitsMessage(body []byte) error {
	schema, err := messageShape()
	if err != nil {
		return err
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return err
	}
	return schema.Validate(value)
}

// TestMessageSchema: a message with everything in it fits the published schema, and the schema describes alerts as
// the report's does.
func TestMessageSchema(t *testing.T) {
	c := change(alert.Cleared, "silent:c0ffee0000000001", false)
	a := &c.Alert
	a.State, a.Until, a.Flapping, a.AcknowledgedBy, a.AcknowledgedAt = alert.StatusCleared, t0+2e9, true, "Jo", t0+1e9
	a.Devices, a.Network, a.Evidence, a.Remedy = []string{"c0ffee0000000001"}, "can0", map[string]any{"silent_s": 65}, "Look at its breaker."
	d := &notifiers{boat: boat.Identity{ID: "wagtail", Name: "Wagtail"}}
	body, err := d.message(&noted{c, boat.ClockSystem})
	if err != nil {
		t.Fatal(err)
	}
	if err := fitsMessage(body); err != nil {
		t.Error(err)
	}
	if fitsMessage(bytes.Replace(body, []byte(`"kind"`), []byte(`"sort"`), 1)) == nil {
		t.Error("the schema takes a message without its kind")
	}
	var pretty bytes.Buffer
	if err := json.Indent(&pretty, body, "", "  "); err != nil {
		t.Fatal(err)
	}
	golden(t, hosttest.Testdata(t, "evidence/alert-change.json"), append(pretty.Bytes(), '\n'))

	var own, whole struct {
		Defs map[string]any `json:"$defs"`
	}
	for text, v := range map[*[]byte]any{&MessageSchema: &own, &report.Schema: &whole} {
		if err := json.Unmarshal(*text, v); err != nil {
			t.Fatal(err)
		}
	}
	for _, def := range []string{"alert", "severity"} {
		if d := cmp.Diff(whole.Defs[def], own.Defs[def]); d != "" {
			t.Errorf("%s differs from the report's: %s", def, d)
		}
	}
}

// TestMessageSaysItsClock: what is sent while the clock is not set is marked so, also when the clock was set before
// it went out.
func TestMessageSaysItsClock(t *testing.T) {
	b := newBoard(t, "", time.Unix(60, 0))
	ctx, stop := context.WithCancel(t.Context())
	defer func() { stop(); b.d.notifiers.wait() }()
	b.d.notifiers.firstRetry = time.Hour
	b.d.notifiers.begin(ctx, []config.Target{{ID: "hook", Webhook: "http://127.0.0.1:9/"}})
	raise := func(id string) {
		c := change(alert.Raised, id, false)
		c.At = event.At(b.d.model.time.now())
		b.d.model.changed(c)
	}
	raise("early")
	b.pass(1, func(event.Time) []event.Event { return nil })
	raise("just-before")
	b.set(t0.UTC())
	b.pass(1, func(event.Time) []event.Event { return nil })
	raise("late")
	b.d.model.publish()
	b.d.keeper.write()
	got := map[string]boat.Clock{}
	for _, it := range b.d.keeper.store.Waiting("hook", 10) {
		var m Message
		if err := json.Unmarshal(it.Body, &m); err != nil {
			t.Fatal(err)
		}
		if err := fitsMessage(it.Body); err != nil {
			t.Error(err)
		}
		got[m.Alert.ID] = m.Clock
	}
	want := map[string]boat.Clock{"early": boat.ClockUnset, "just-before": boat.ClockUnset, "late": boat.ClockSystem}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}
