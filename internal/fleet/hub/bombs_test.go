package hub

import (
	"testing"

	"muster/internal/fleet"
	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	codec, err := fleet.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	for kind, key := range map[fleet.Kind]string{fleet.KindReport: "devices", fleet.KindAlert: "evidence", fleet.KindSnapshot: "REPORT", fleet.KindRecord: "data"} {
		t.Run(string(kind), func(t *testing.T) {
			inputtest.JSON(t, func(body []byte) error {
				text := `{"schema":"` + fleet.Schema + `","boat":{"id":"wagtail"},"body":` + string(body) + "}"
				_, err := read(codec, fleet.Subject("wagtail", kind), "board1.1", pack(t, text))
				return err
			}, key)
		})
	}
}
