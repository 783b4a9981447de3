package trust

import (
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/jwt/v2"
)

// TestSubjects: boats reach the hub's account on the subjects of the known kinds and on no other, whatever the papers of boats that were
// enrolled earlier allow.
func TestSubjects(t *testing.T) {
	tr, err := Open(filepath.Join(t.TempDir(), "trust"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := tr.Papers()
	if err != nil {
		t.Fatal(err)
	}
	hubs, err := jwt.DecodeAccountClaims(p.Fleet.JWT)
	if err != nil {
		t.Fatal(err)
	}
	boats, err := jwt.DecodeAccountClaims(p.Boats.JWT)
	if err != nil {
		t.Fatal(err)
	}
	var out, in []string
	for _, e := range hubs.Exports {
		out = append(out, string(e.Subject))
	}
	for _, i := range boats.Imports {
		in = append(in, string(i.Subject))
	}
	slices.Sort(out)
	slices.Sort(in)
	want := []string{"muster.v1.boat.*.alert", "muster.v1.boat.*.record", "muster.v1.boat.*.report", "muster.v1.boat.*.snapshot"}
	if d := cmp.Diff(want, out) + cmp.Diff(want, in); d != "" {
		t.Error(d)
	}
}
