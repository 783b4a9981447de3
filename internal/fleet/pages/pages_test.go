package pages

import (
	"bufio"
	"bytes"
	"errors"
	"flag"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"muster/internal/api"
	"muster/internal/fleet/hub"
	"muster/internal/hosttest"
	"muster/internal/ui/webtest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func TestPages(t *testing.T) {
	s := serve(t, fakeBoats(t), nil)
	for _, tt := range []struct {
		path   string
		status int
		want   []string
		lacks  string
	}{
		{"/", 200, []string{"1 of 5 boats needs a visit, 1 not heard for 2 days.", "Redshank &lt;b&gt;", "7 units; 3 behind the current release", "3 days ago", "never"}, "Redshank <b>"},
		{"/?verdict=watch", 200, []string{"1 boat found", "Plover"}, `id="boat-wagtail"`},
		{"/?q=DUN", 200, []string{"1 boat found", "Dunlin"}, `id="boat-plover"`},
		{"/?page=99", 200, []string{"Wagtail"}, ""},
		{"/?verdict=odd", 422, []string{"is unknown"}, ""},
		{"/boats/wagtail", 200, []string{"needs a visit", "Rejected messages", "schema &#34;&lt;i&gt;", "/boats/wagtail/documents/3", "Units", "LF9-00117"}, "Changes"},
		{"/boats/wagtail?before=1&after=2", 200, []string{"Changes", "devices unchanged"}, "Nothing changed"},
		{"/boats/wagtail?at=1", 200, []string{"An earlier report"}, ""},
		{"/boats/wagtail?at=99", 200, []string{"not found"}, ""},
		{"/boats/plover", 200, []string{"two boat computers report as this boat"}, ""},
		{"/boats/knot", 200, []string{"never heard", "No report yet"}, ""},
		{"/boats/nobody", 404, []string{"not found"}, ""},
		{"/search", 200, []string{"Older than version"}, "units."},
		{"/search?q=display&below=4.52", 200, []string{"5 units older than 4.52"}, "Order unknown"},
		{"/search?below=4.52", 200, []string{"order unknown for 2 more", "Order unknown", "no sheet describes it"}, ""},
		{"/campaigns", 200, []string{"LF9 display", "4.52", "on 2 boats"}, ""},
		{"/campaigns/LF9%20display", 200, []string{"3 units behind on 2 boats, 2 up to date, 0 unknown", "Behind on 2026-06-07: 5, on 2026-06-10: 3."}, ""},
		{"/campaigns/nothing", 404, []string{"no sheet has this model"}, ""},
		{"/week", 200, []string{"2 boats, about 45 min", "4.40 → 4.52", "microSD card, 2 to 32 GB, FAT32, file LF-4.52.lfw", "Not heard"}, ""},
		{"/alerts", 200, []string{"2 alerts on 2 boats", "fallen silent"}, ""},
		{"/refusals", 200, []string{"Boats with two boat computers", "changed 4 times", "&lt;i&gt;"}, "<i>"},
		{"/boats/wagtail/documents/3", 200, []string{"<p>record</p>"}, ""},
		{"/boats/wagtail/documents/4", 404, []string{"not found"}, ""},
		{"/boats/wagtail/documents/x", 404, []string{"not found"}, ""},
		{"/nothing", 404, []string{"That did not work", "use the menu"}, ""},
		{"/-/ready", 200, []string{"ready"}, ""},
	} {
		t.Run(tt.path, func(t *testing.T) {
			resp, body := get(t, s.URL()+tt.path, "Accept", "text/html")
			if resp.StatusCode != tt.status {
				t.Errorf("%s", resp.Status)
			}
			for _, w := range tt.want {
				if !strings.Contains(body, w) {
					t.Errorf("lacks %q", w)
				}
			}
			if tt.lacks != "" && strings.Contains(body, tt.lacks) {
				t.Errorf("has %q", tt.lacks)
			}
			if strings.Contains(body, "style=") || strings.Contains(body, "onclick") {
				t.Error("inline style or script")
			}
			if csp := resp.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") {
				t.Errorf("policy %q", csp)
			}
		})
	}
	resp, _ := get(t, s.URL()+"/boats/wagtail/documents/3")
	if d := resp.Header.Get("Content-Disposition"); d != "attachment; filename=wagtail-record-3.html" {
		t.Errorf("a boat's document is given as %q", d)
	}
}

// TestGolden holds every page to what was looked at. The report of a boat is rendered by the boat's own pages, which have their tests.
func TestGolden(t *testing.T) {
	s := serve(t, fakeBoats(t), nil)
	for name, path := range everyPage {
		t.Run(name, func(t *testing.T) {
			_, body := get(t, s.URL()+path, "Accept", "text/html")
			if head, report, ok := strings.Cut(body, `<div class="report" id="report">`); ok {
				_, foot, _ := strings.Cut(report, "</main>")
				body = head + "…</main>" + foot
			}
			webtest.GoldenPage(t, filepath.Join("testdata", "pages", name+".html"), body, *update)
		})
	}
}

// TestRevoked: a revoked boat counts nowhere and is shown as revoked, not by its last verdict.
func TestRevoked(t *testing.T) {
	f := fakeBoats(t)
	f.Boat("wagtail").Revoked = noon.Add(-time.Hour)
	s := serve(t, f, nil)
	_, page := get(t, s.URL()+"/")
	for _, want := range []string{"4 units; 1 behind the current release; 1 open alert; 1 more boat is revoked.", "all 4", "revoked</span>"} {
		if !strings.Contains(page, want) {
			t.Errorf("the fleet's page lacks %q", want)
		}
	}
	if strings.Index(page, `id="boat-wagtail"`) < strings.Index(page, `id="boat-redshank"`) || strings.Contains(page, "needs a visit</span>") {
		t.Error("the revoked boat stands among those to visit")
	}
	if _, page = get(t, s.URL()+"/?verdict=visit"); !strings.Contains(page, "0 boats found") {
		t.Error("a revoked boat found a verdict")
	}
	if _, page = get(t, s.URL()+"/search?q=LF9-9"); !strings.Contains(page, "boat revoked") {
		t.Error("the search does not tell that the boat is revoked")
	}
}

// TestNotKnownOfBoats: what no boat reported and what no sheet has is not taken for none.
func TestNotKnownOfBoats(t *testing.T) {
	f := fakeBoats(t)
	f.boats = []*hub.Boat{f.Boat("knot"), f.Boat("redshank")}
	s := serve(t, f, nil)
	_, page := get(t, s.URL()+"/")
	for _, want := range []string{"All boats heard are OK; 1 of 2 boats never heard.", "not reported", "no unit reported", "none behind"} {
		if !strings.Contains(page, want) {
			t.Errorf("lacks %q", want)
		}
	}
	s = serve(t, f, func(o *Options) { o.Sheets = nil })
	if _, page = get(t, s.URL()+"/"); !strings.Contains(page, "1 unit; no release sheets to compare with;") || strings.Contains(page, "behind") {
		t.Error("without sheets boats are said to be behind or not")
	}
}

func TestEmptyFleet(t *testing.T) {
	s := serve(t, &fakeFleet{ready: errors.New("still reading")}, func(o *Options) { o.Sheets = nil; o.Daybook = nil })
	for path, want := range map[string]string{"/": "No boat is enrolled yet.", "/campaigns": "no release sheets", "/week": "No boat needs a visit", "/alerts": "No open alerts", "/refusals": "None."} {
		if _, body := get(t, s.URL()+path); !strings.Contains(body, want) {
			t.Errorf("%s lacks %q", path, want)
		}
	}
	if resp, body := get(t, s.URL()+"/-/ready"); resp.StatusCode != http.StatusServiceUnavailable || !strings.Contains(body, "still reading") {
		t.Errorf("%s %q", resp.Status, body)
	}
}

func TestAccess(t *testing.T) {
	if _, err := New(Options{Listen: "0.0.0.0:0", Fleet: &fakeFleet{}}); err == nil {
		t.Error("open to all without a token")
	}
	s := serve(t, fakeBoats(t), func(o *Options) { o.Token = "open" })
	for _, path := range []string{"/", "/api/v1/boats", "/metrics", "/sd/boats", "/boats/wagtail/documents/3"} {
		if resp, body := get(t, s.URL()+path); resp.StatusCode != http.StatusUnauthorized || strings.Contains(body, "agtail") {
			t.Errorf("%s without a token: %s", path, resp.Status)
		}
		if resp, _ := get(t, s.URL()+path, "Authorization", "Bearer open"); resp.StatusCode != http.StatusOK {
			t.Errorf("%s with the token: %s", path, resp.Status)
		}
	}
	plain := serve(t, fakeBoats(t), nil)
	if resp, _ := get(t, plain.URL()+"/", "Host", "other.example"); resp.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("foreign host: %s", resp.Status)
	}
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	webtest.Golden(t, filepath.Join("testdata", file), []byte(got), *update)
}

// TestDescription holds the description that is served to the operations as they are.
func TestDescription(t *testing.T) {
	text, err := api.Describe(apiAbout, new(Server).operations)
	if err != nil {
		t.Fatal(err)
	}
	webtest.Golden(t, "openapi.json", text, *update)
}

func TestAPI(t *testing.T) {
	s := serve(t, fakeBoats(t), nil)
	var all strings.Builder
	for _, tt := range []struct {
		path   string
		status int
	}{{"fleet", 200}, {"boats", 200}, {"boats?verdict=watch&limit=1", 200}, {"boats/plover", 200}, {"boats/nobody", 404}, {"boats/wagtail/history", 200},
		{"boats/nobody/report", 404}, {"boats?verdict=odd", 422}, {"search?q=Tavrik", 200}, {"search?other=1", 422}, {"campaigns", 200},
		{"campaigns/LF9%20display", 200}, {"campaigns/x", 404}, {"alerts", 200}, {"refusals", 200}, {"nothing", 404}} {
		resp, body := get(t, s.URL()+"/api/v1/"+tt.path)
		if resp.StatusCode != tt.status {
			t.Errorf("%s: %s", tt.path, resp.Status)
		}
		if tt.status != 200 && !strings.HasPrefix(resp.Header.Get("Content-Type"), "application/problem+json") {
			t.Errorf("%s: %s", tt.path, resp.Header.Get("Content-Type"))
		}
		if tt.status == 200 {
			fmt.Fprintf(&all, "%s\n%s\n", tt.path, strings.TrimSpace(body))
		}
	}
	golden(t, "api.txt", all.String())
	if resp, body := get(t, s.URL()+"/api/v1/boats/wagtail/report"); resp.StatusCode != 200 || !strings.Contains(body, "muster.report/v2") {
		t.Errorf("report: %s", resp.Status)
	}
}

func TestMetrics(t *testing.T) {
	s := serve(t, fakeBoats(t), func(o *Options) { o.BoatSeries = 2 })
	_, text := get(t, s.URL()+"/metrics")
	webtest.Golden(t, hosttest.Testdata(t, "evidence/metrics-hub.txt"), []byte(text), *update)
	cmd := exec.Command(need(t, "promtool"), "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestEvents(t *testing.T) {
	s := serve(t, fakeBoats(t), func(o *Options) { o.EventEvery = 10 * time.Millisecond })
	resp, err := http.Get(s.URL() + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var got []byte
	chunk := make([]byte, 256)
	for !bytes.Contains(got, []byte("event: report")) {
		n, err := resp.Body.Read(chunk)
		if got = append(got, chunk[:n]...); err != nil {
			t.Fatal(err)
		}
	}
}

// TestSlowReader: one who opens the event stream and never reads holds up no other, and the streams are bounded.
func TestSlowReader(t *testing.T) {
	f := &changing{fakeFleet: fakeBoats(t), revision: 7}
	s := serve(t, f, func(o *Options) { o.EventEvery = time.Millisecond })
	address := strings.TrimPrefix(s.URL(), "http://")
	for range 255 {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, err := fmt.Fprintf(c, "GET /api/v1/events HTTP/1.1\r\nHost: %s\r\n\r\n", address); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Read(make([]byte, 16)); err != nil { // the answer has begun
			t.Fatal(err)
		}
	}
	resp, err := http.Get(s.URL() + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if full, _ := get(t, s.URL()+"/api/v1/events"); full.StatusCode != http.StatusServiceUnavailable || full.Header.Get("Retry-After") == "" {
		t.Errorf("one stream too many: %s", full.Status)
	}
	lines := bufio.NewScanner(resp.Body)
	for n := range 200 {
		f.news("redshank", func(b *hub.Boat) { b.Refused++ })
		want := fmt.Sprintf("data: %d-", 8+n)
		for lines.Scan() && !strings.HasPrefix(lines.Text(), want) {
		}
		if err := lines.Err(); err != nil {
			t.Fatal(err)
		}
	}
	if page, _ := get(t, s.URL()+"/"); page.StatusCode != http.StatusOK {
		t.Error(page.Status)
	}
}

// many are 10,000 boats of 20 devices.
func many() *fakeFleet {
	f := &fakeFleet{}
	for i := range 10000 {
		b := &hub.Boat{ID: fmt.Sprintf("boat-%05d", i), Name: "Plover", LastHeard: noon.Add(-time.Duration(i%60) * time.Hour), Report: 1}
		for j := range 20 {
			b.Devices = append(b.Devices, head(fmt.Sprintf("c0fa1e%010d", j), fmt.Sprintf("LF9-%d-%d", i, j), []string{"4.40", "4.47", "4.52"}[(i+j)%3]))
		}
		f.boats = append(f.boats, b)
	}
	return f
}

func BenchmarkFirstPage(b *testing.B)  { bench(b, "/") }
func BenchmarkSearchPage(b *testing.B) { bench(b, "/search?q=LF9-77-") }
func BenchmarkWeek(b *testing.B)       { bench(b, "/week") }

func bench(b *testing.B, path string) {
	s := serve(b, many(), nil)
	get(b, s.URL()+path)
	b.ReportAllocs()
	for b.Loop() {
		if resp, _ := get(b, s.URL()+path); resp.StatusCode != http.StatusOK {
			b.Fatal(resp.Status)
		}
	}
}

// TestHostileTexts: what boats send adds no element and no attribute to a page, steers nothing that shows it, and
// leads only to the hub's own pages. The pages are read by the independent parser of the Go project.
func TestHostileTexts(t *testing.T) {
	const hostile = ` <q onload="x">'&amp;` + "\x00\x1b[2J\u202e</td>`"
	f := fakeBoats(t)
	f.boats[2].ID, f.boats[2].Report = `../../x"><q>`, 0
	for _, b := range f.boats {
		b.Name, b.Version = b.Name+hostile, hostile
		for i := range b.Devices {
			d := &b.Devices[i]
			d.Manufacturer, d.Serial, d.Software = hostile, hostile, d.Software+hostile
		}
		for i := range b.Alerts {
			a := &b.Alerts[i]
			a.Check, a.Summary, a.Remedy = hostile, hostile, hostile
		}
		for i := range b.Boards {
			b.Boards[i].ID = hostile
		}
	}
	f.refused = append(f.refused, hub.Refusal{Boat: hostile, Reason: hostile}, hub.Refusal{Subject: hostile})
	s := serve(t, f, nil)
	paths := slices.Collect(maps.Values(everyPage))
	for _, path := range append(paths, "/boats/"+url.PathEscape(f.boats[2].ID), "/search?q="+url.QueryEscape(`"><q onload="x">`), "/campaigns/"+url.PathEscape(hostile)) {
		_, body := get(t, s.URL()+path, "Accept", "text/html")
		if strings.ContainsAny(body, "\x00\x1b\u202e") {
			t.Errorf("%s holds a control character", path)
		}
		doc, err := html.Parse(strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		for n := range doc.Descendants() {
			if n.Data == "q" && n.Type == html.ElementNode {
				t.Errorf("%s: a text became an element", path)
			}
			for _, a := range n.Attr {
				if n.Data == "a" && strings.Contains(body, `rel="external noreferrer">`+html.EscapeString(a.Val)+"<") { // an address that a boat gave, shown as it is
					if u, err := url.Parse(a.Val); a.Key == "href" && (err != nil || u.Scheme != "http" && u.Scheme != "https" || u.User != nil) {
						t.Errorf("%s: leads to %q", path, a.Val)
					}
					continue
				}
				own := strings.HasPrefix(a.Val, "/") && !strings.HasPrefix(a.Val, "//") && !strings.Contains(a.Val, "/../")
				if strings.HasPrefix(a.Key, "on") || (a.Key == "href" || a.Key == "src" || a.Key == "action") && !own && !strings.HasPrefix(a.Val, "#") {
					t.Errorf("%s: %s has %s=%q", path, n.Data, a.Key, a.Val)
				}
			}
		}
	}
}
