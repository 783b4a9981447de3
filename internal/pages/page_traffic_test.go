package pages

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/api"
	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/transport"
	"muster/internal/ui/webtest"
)

func TestTrafficPage(t *testing.T) {
	tr := api.NewTraffic(0)
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr})
	webtest.Note(tr, 128267, []byte{0, 0xD2, 4, 0, 0, 0, 0, 0xFF})
	webtest.Hear(tr, "ttyUSB0", webtest.Sealed("$SDDPT,1.5,0.0"), "$GPZDA,1*00", `\s:x*00\$HCHDM,90.0,M`)
	ask := func(query string) string {
		resp, page := webtest.Get(t, s.URL()+"/traffic"+query)
		if resp.StatusCode != 200 {
			t.Fatal(resp.Status)
		}
		_, rest, _ := strings.Cut(page, `<ol class="traffic"`)
		return rest
	}
	for _, tt := range []struct {
		query     string
		has, lack []string
	}{
		{"", []string{"Water Depth", "$SDDPT,1.5,0.0*", "1.5 m", "wrong checksum<", "no checksum<", "wrong tag block checksum", `\s:x*00\$HCHDM`, "sentences=true"}, []string{"Nothing yet"}},
		{"?message=DPT", []string{"$SDDPT", "formatter=DPT"}, []string{"Water Depth", "$GPZDA"}},
		{"?message=dpt", []string{"$SDDPT", "formatter=DPT"}, []string{"Water Depth"}},
		{"?message=128267", []string{"Water Depth", "pgn=128267"}, []string{"$SDDPT"}},
		{"?pgn=128267", []string{"Water Depth", "pgn=128267"}, []string{"$SDDPT"}},
		{"?device=ttyUSB0%2FGP", []string{"$GPZDA", "device=ttyUSB0%2FGP"}, []string{"Water Depth", "$SDDPT"}},
		{"?network=ttyUSB0", []string{"$GPZDA", "network=ttyUSB0"}, []string{"Water Depth"}},
		{"?network=can0", []string{"Water Depth"}, []string{"$GPZDA"}},
	} {
		text := ask(tt.query)
		for _, want := range tt.has {
			if !strings.Contains(text, want) {
				t.Errorf("%q lacks %q: %s", tt.query, want, text)
			}
		}
		for _, no := range tt.lack {
			if strings.Contains(text, no) {
				t.Errorf("%q has %q", tt.query, no)
			}
		}
	}
	for _, wrong := range []string{"200000", "-1", "%3Cb%3E", "D%20T"} {
		if _, page := webtest.Get(t, s.URL()+"/traffic?message="+wrong); !strings.Contains(page, "is not a message: enter a PGN") {
			t.Errorf("%s is a message", wrong)
		}
	}
}

// TestTrafficOfAUnit: the filter lists a unit once, and shows what it sends under whatever NAME; a NAME alone can still be asked for.
func TestTrafficOfAUnit(t *testing.T) {
	r := webtest.Sample(t)
	code := uint16(410)
	r.Devices[0].Product.Code = &code
	other := r.Devices[0] // another function of the same box
	name := *other.Name
	name.DeviceFunction.Code = 199
	other.ID, other.Name = "C0788C00FA200000", &name
	r.Devices = append(r.Devices, other)
	tr := api.NewTraffic(0)
	s := serve(t, api.Options{Reports: webtest.NewReports(r), Traffic: tr})
	webtest.Note(tr, 128267, []byte{0, 0xD2, 4, 0, 0, 0, 0, 0xFF}) // from C0788C00FA200001
	title := render.TitleAt(r.Device(other.ID))
	for _, tt := range []struct {
		device string
		shown  bool
	}{{other.ID, true}, {"C0788C00FA200001", true}, {"C0788C00FA200002", false}} {
		_, page := webtest.Get(t, s.URL()+"/traffic?device="+tt.device)
		if strings.Contains(page, `Water Depth</b>`) != tt.shown {
			t.Errorf("%s: shown %v, want %v", tt.device, !tt.shown, tt.shown)
		}
		if n := strings.Count(page, ">"+title+"</option>"); n != 1 || !strings.Contains(page, `data-also="C0788C00FA200001"`) {
			t.Errorf("the unit is listed %d times", n)
		}
		if tt.shown && !strings.Contains(page, `<span class="from">`+title+`<`) {
			t.Errorf("the message is not of %s", title)
		}
	}
}

// TestTrafficLatest: the table has the latest value of each message, the search leaves rows out, and the export is a log that is read again.
func TestTrafficLatest(t *testing.T) {
	tr := api.NewTraffic(0)
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr})
	webtest.Note(tr, 128267, []byte{0, 0xD2, 4, 0, 0, 0, 0, 0xFF})
	webtest.Note(tr, 128267, []byte{0, 0x36, 6, 0, 0, 0, 0, 0xFF})
	webtest.Hear(tr, "ttyUSB0", webtest.Sealed("$SDDPT,1.5,0.0"))
	table := func(query string) string {
		_, page := webtest.Get(t, s.URL()+"/traffic"+query)
		_, rest, _ := strings.Cut(page, `<tbody id="values">`)
		rest, _, _ = strings.Cut(rest, "</table>")
		return rest
	}
	if rows := table(""); strings.Count(rows, "<tr") != 2 || !strings.Contains(rows, "15.9 m") || strings.Contains(rows, "12.3 m") || !strings.Contains(rows, "1.5 m") {
		t.Errorf("the table: %s", rows)
	}
	if rows := table("?q=SDdpt"); strings.Count(rows, "<tr") != 1 || !strings.Contains(rows, "SDDPT") {
		t.Errorf("found: %s", rows)
	}
	for query, want := range map[string][]string{
		"":                {"can0 09F50B", "#00D2040000000000FF"[:9], "#0036060000", "ttyUSB0 $SDDPT,1.5,0.0"},
		"?message=128267": {"#0036060000"},
		"?q=15.9":         {"#0036060000"},
	} {
		resp, log := webtest.Get(t, s.URL()+"/traffic.log"+query)
		for _, w := range want {
			if !strings.Contains(log, w) {
				t.Errorf("%q lacks %q: %s", query, w, log)
			}
		}
		if query != "" && (strings.Contains(log, "SDDPT") || resp.Header.Get("Content-Disposition") == "") {
			t.Errorf("%q: %s", query, log)
		}
	}
}

// TestTrafficExport: what came by fast packets and what only the ISO protocol carries are in the log, and are read from it again.
func TestTrafficExport(t *testing.T) {
	tr := api.NewTraffic(0)
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr})
	want := []string{}
	for _, size := range []int{8, 40, 223, 224, 1785} {
		data := bytes.Repeat([]byte{byte(size)}, size)
		webtest.Note(tr, 126998, data)
		want = append(want, fmt.Sprintf("126998 from 35: %x", data))
	}
	_, log := webtest.Get(t, s.URL()+"/traffic.log")
	r, err := capture.NewReader(strings.NewReader(log))
	webtest.Must(t, err)
	defer r.Close()
	a := transport.NewAssembler(transport.Options{})
	got, events := []string{}, make([]event.Event, 64)
	for {
		n, err := r.Read(events)
		for i := range events[:n] {
			if m := a.Feed(&events[i]); m != nil && m.PGN() == 126998 {
				got = append(got, fmt.Sprintf("%d from %d: %x", m.PGN(), m.Source(), m.Data))
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		webtest.Must(t, err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
