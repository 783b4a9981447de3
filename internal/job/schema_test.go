package job

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/boat"
	"muster/internal/snapshot"
)

// fits holds a JSON text to a schema.
func fits(t *testing.T, schema, text []byte) error {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(value)
}

// TestLedgerSchema: a line of every kind fits the schema, and one of another kind does not.
func TestLedgerSchema(t *testing.T) {
	for _, kind := range append(kinds, "frob") {
		line := Line{N: 2, At: taken, Clock: "system", By: "Ana", On: "laptop", Kind: kind, About: &About{Unit: "U1", Step: "1.1"},
			Data: json.RawMessage(`{"text":"as said"}`), Prev: Digest(nil)}
		text, err := line.encode()
		if err != nil {
			t.Fatal(err)
		}
		if err := fits(t, LedgerSchema, text); (err != nil) != (kind == "frob") {
			t.Errorf("%s: %v", kind, err)
		}
	}
}

// TestRecordSchema: the account of a job with an entry of every kind that a person makes fits the schema.
func TestRecordSchema(t *testing.T) {
	v := visited(t, true)
	for _, p := range v.HoldPoints()[1:] {
		say(t, v, HoldPoint, nil, Tick{Point: p.ID, Reading: "13.2 V"})
	}
	steps := v.Order.Steps()
	say(t, v, Waived, nil, Waiver{Check: "supply-trend", Reason: "a bench supply is on"})
	say(t, v, ReadByHand, &About{Step: steps[0].ID}, ByHand{Version: steps[0].To})
	say(t, v, Settled, &About{Step: steps[0].ID}, ByHand{Version: steps[0].To, Reason: "seen on its screen"})
	say(t, v, ChangedOutside, &About{Unit: "U1"}, Outside{Label: "GW3 wind", From: "1.0", To: "1.1"})
	say(t, v, Note, nil, Words{Text: "the old release is on the card"})
	say(t, v, Hours, nil, Work{Minutes: 90, Kind: "travel"})
	say(t, v, Part, nil, PartUsed{Number: "TC-5", Name: "T-connector", Count: 2})
	say(t, v, SignedOff, nil, Words{Text: "agreed", Strokes: [][][2]int{{{0, 0}, {1000, 300}}}})
	v.After = v.Before
	key, err := boatSigner()
	if err != nil {
		t.Fatal(err)
	}
	account := v.Account([]Signer{key})
	account.Boat, account.Because = boat.Identity{ID: "wagtail", Name: "Wagtail"}, "all electronics were changed"
	text, err := json.Marshal(account)
	if err != nil {
		t.Fatal(err)
	}
	if err := fits(t, RecordSchema, text); err != nil {
		t.Errorf("%v\n%s", err, text)
	}
	if err := fits(t, RecordSchema, bytes.Replace(text, []byte(`"minutes":90`), []byte(`"minutes":"90"`), 1)); err == nil {
		t.Error("the schema takes a text for a number")
	}
}

func boatSigner() (Signer, error) {
	private, _, err := snapshot.NewKey()
	if err != nil {
		return Signer{}, err
	}
	key, err := snapshot.PrivateKey(private)
	return Signer{snapshot.ForBoard, key}, err
}
