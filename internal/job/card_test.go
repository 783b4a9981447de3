package job

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"muster/internal/release"
)

// TestCard: what is missing, cut, altered or too much on a card is found.
func TestCard(t *testing.T) {
	dir := t.TempDir()
	good := []byte("the release")
	for name, text := range map[string]string{"GOOD.lfw": string(good), "cut.lfw": "the rel", "long.lfw": "the release and more",
		"other.lfw": "The release", "unknown.lfw": "anything", "more.txt": "x", ".hidden": "x"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var o release.Order
	g := release.Group{}
	for i, name := range []string{"good.lfw", "cut.lfw", "long.lfw", "other.lfw", "gone.lfw", "good.lfw"} {
		g.Steps = append(g.Steps, release.Step{ID: fmt.Sprint(i), Medium: release.Medium{Kind: "microSD card", File: name,
			Bytes: len(good), SHA256: Digest(good)}})
	}
	g.Steps = append(g.Steps, release.Step{ID: "6", Medium: release.Medium{Kind: "microSD card", File: "unknown.lfw"}},
		release.Step{ID: "7", Medium: release.Medium{Kind: release.Network, File: "sent.lfw"}})
	o.Groups = []release.Group{g}
	files, err := Card(&o, nil, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range files {
		word, _, _ := strings.Cut(f.Problem, ":")
		got = append(got, fmt.Sprintf("%s %v %s", f.Name, f.Checked, word))
	}
	want := []string{"good.lfw true ", "cut.lfw true it is cut", "long.lfw true it has 20 bytes, not 11", "other.lfw true its SHA-256 is " +
		Digest([]byte("The release")) + ", not " + Digest(good), "gone.lfw true it is missing", "unknown.lfw false ", "more.txt false no step needs it"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if files, err := Card(&o, nil, dir, "USB stick"); err != nil || len(files) != 6 || files[0].Step != "" {
		t.Errorf("as a medium of another kind: %v, %v", files, err)
	}
	if _, err := Card(&o, nil, filepath.Join(dir, "nowhere"), ""); err == nil {
		t.Error("a card that is not there")
	}
}
