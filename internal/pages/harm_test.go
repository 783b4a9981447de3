package pages

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/internal/ui"
	"muster/internal/ui/webtest"
	"muster/pgn"
)

// What a device may send to attack its reader. An id goes back to the server as it is, so that one holds no control
// characters.
const (
	evilID = `</li><script>window.harmed=1</script><img src=x onerror="window.harmed=1">" onload="window.harmed=1`
	evil   = evilID + "\x00\x1b[31m\u202e"
)

// evilReport is a boat on which every text is evil.
func evilReport(t *testing.T, more string) *report.Report { return reportSaying(t, evilID, evil+more) }

// reportSaying is a boat that sends one text wherever it can, and id where there must be an id.
func reportSaying(t *testing.T, id, text string) *report.Report {
	t.Helper()
	r := webtest.Sample(t)
	r.Boat.Name, r.Networks[0].ID, r.Networks[1].ID = text, id, id+"2"
	for i := range r.Devices {
		d := &r.Devices[i]
		d.Network = id
		d.Product = &boat.Product{Model: text, Serial: text, Software: text, ModelVersion: text}
		d.Installation = &boat.Installation{Description1: text, Description2: text, ManufacturerInformation: text}
		d.Unanswered = text
	}
	r.Devices[0].ID = id
	r.Manual = []boat.Manual{{ID: id, Model: text, Note: text, By: text}}
	a := &r.Alerts[0]
	a.State, a.Summary, a.Remedy, a.ID, a.AcknowledgedBy, a.Devices = alert.StatusOpen, text, text, id, text, []string{id}
	a.Evidence = map[string]any{text: []string{text}}
	r.Talkers = []report.Talker{{Network: id + "2", Talker: "GP", Live: &boat.Talker{Last: r.TakenAt}, Unanswered: text, Texts: []boat.Text{{ID: text, Text: text}},
		Identity:  &boat.TalkerIdentity{Model: text, Software: text, Vendor: text, Serial: text, UniqueID: text, Hardware: text, DeviceType: text},
		AIS:       &boat.AIS{Own: &boat.AISVessel{Name: text, CallSign: text}},
		Software:  []boat.Software{{Version: text}},
		Sentences: []report.Sentence{{Formatter: text, Count: 1, Live: &boat.Sentence{Last: r.TakenAt, Latest: "$GPTXT," + text}, Gives: []string{text}}}}}
	return r
}

// evilBoat serves such a boat, with a work order and a layout of it, and two snapshots between which all changed.
func evilBoat(t *testing.T) (s *api.Server, reports *webtest.Reports, traffic *api.Traffic, paths []string) {
	t.Helper()
	return boatSaying(t, evilID, evil)
}

// sayingDesk follows an order and keeps silences.
type sayingDesk struct {
	orderDesk
	silences []alert.Silence
}

func (d *sayingDesk) Silences() []alert.Silence { return d.silences }

func boatSaying(t *testing.T, id, text string) (s *api.Server, reports *webtest.Reports, traffic *api.Traffic, paths []string) {
	t.Helper()
	order, _ := release.Plan(webtest.Sample(t), "sha256:"+strings.Repeat("0", 64), "", sheets(t), release.Options{})
	order.Boat, order.Cautions, order.Finish = boat.Identity{Name: text}, []string{text}, []string{text}
	st := &order.Groups[0].Steps[0]
	st.Device.Label, st.Device.ID, st.From, st.Before, st.AfterSteps, st.Cautions = text, id, text, []string{text}, []string{text}, []string{text}
	work := api.Work{Order: order, Status: []release.StepStatus{{Step: st.ID, Label: text, From: text, To: text, Version: text, State: release.StepFailed,
		Notes: []string{text}, Failures: []release.Failure{{Text: text}}, ByHand: &release.ByHand{By: text}}}}
	desk := &sayingDesk{orderDesk{work: work}, []alert.Silence{{Alert: id, Device: id, By: text, Why: text}}}
	name := id[:min(len(id), 50)] // a layout takes no longer one
	layout := draft{Boat: name, Points: []draftPoint{{Name: name + "1", Terminator: true, Power: true, Voltage: "12 V", Length: "5 m"}, {Name: name + "2"}},
		Drops: []draftDrop{{Device: name, Model: name, Length: "9 m", Load: "1"}}, Coverage: []draftCoverage{{Quantity: "depth", From: name}}}
	reports, traffic = webtest.NewReports(reportSaying(t, id, text)), api.NewTraffic(0)
	s = serve(t, api.Options{Reports: reports, Traffic: traffic, Desk: desk, Plans: plans(t, layout.yaml()), EventEvery: 10 * time.Millisecond})
	say(traffic)
	before, err := s.TakeSnapshot()
	if err != nil {
		t.Fatal(err)
	}
	later := reportSaying(t, id, text+" later")
	later.TakenAt = later.TakenAt.Add(time.Minute)
	for i := range later.Devices {
		later.Devices[i].Product.Serial = text // the same boxes
	}
	reports.Set(later)
	after, err := s.TakeSnapshot()
	if err != nil {
		t.Fatal(err)
	}
	ids := "?before=" + before.ID + "&after=" + after.ID
	job := url.Values{"order": {"yes"}}
	for _, key := range []string{"number", "date", "technician", "customer", "place", "shop", "contact"} {
		job.Set(key, text[:min(len(text), 70)]+"\x1b")
	}
	asked := url.PathEscape("<script>" + id)
	return s, reports, traffic, []string{"/", "/devices/" + url.PathEscape(id), "/devices/C0788C00FA200002", "/devices/" + url.PathEscape(id+"2/GP"), "/network",
		"/work", "/snapshots", "/snapshots" + ids, "/snapshots/record" + ids + "&" + job.Encode(), "/backbone/report?technician=" + url.PathEscape(name), "/backbone/edit", "/traffic",
		"/snapshots?before=" + asked, "/silences?alert=" + asked + "&device=" + asked, "/traffic?pgn=" + asked + "&device=" + asked, "/devices/" + asked, "/fault/" + asked, "/fault/n2k?place=" + asked, "/?said=" + asked}
}

// say notes a message and sentences whose texts are evil.
func say(tr *api.Traffic) {
	text := "<script>window.harmed=1</script>"
	tr.Note(&transport.Message{ID: pgn.MakeID(6, 126998, 1, pgn.Global), Data: []byte("\x22\x01" + text + "\x02\x01\x02\x01")}, &boat.Sender{ID: evilID, Network: evilID})
	webtest.Hear(tr, evilID, `\s:<img>*00\$GPTXT,01,01,02,`+text)
}

// harmless is a text as long as s, of letters and digits only, which comes where s comes in a sorted list.
func harmless(s string) string {
	return strings.Map(func(r rune) rune {
		if r < unicode.MaxASCII && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
			return r
		}
		return '0'
	}, s)
}

// TestMarkup: texts of devices, manufacturers and people, and of an address, are shown and never obeyed, on every
// page. A page of a boat with an evil text has the elements and attributes of one with a harmless text, steers no
// screen, and leads only to pages of its own. The pages are read by the independent parser of the Go project
// (golang.org/x/net/html).
func TestMarkup(t *testing.T) {
	s, _, _, paths := evilBoat(t)
	tame, _, _, likewise := boatSaying(t, harmless(evilID), harmless(evil))
	hold := func(name string, resp *http.Response, page, other string) {
		t.Helper()
		if resp.StatusCode != 200 && resp.StatusCode != 404 {
			t.Errorf("%s: %s %.300s", name, resp.Status, page)
		}
		if strings.ContainsAny(page, "\x00\x1b\u202e") {
			t.Errorf("%s steers the screen that shows it", name)
		}
		shape, strays := shapeOf(t, page)
		want, _ := shapeOf(t, other)
		if diff := cmp.Diff(want, shape); diff != "" {
			t.Errorf("%s: a text is more than text: %s", name, diff)
		}
		for _, stray := range strays {
			t.Errorf("%s leads elsewhere: %s", name, stray)
		}
	}
	for i, path := range paths {
		resp, page := webtest.Get(t, s.URL()+path)
		_, other := webtest.Get(t, tame.URL()+likewise[i])
		hold(path, resp, page, other)
	}
	for _, do := range []string{"judge", "open", "remove-drop 0"} {
		form := func(text string) string {
			return url.Values{"do": {do}, "text": {text}, "boat": {text}, "p0.name": {text}, "p0.power": {"on"}, "p0.voltage": {text}, "p1.name": {text}, "p1.cable": {text},
				"d0.at": {"0"}, "d0.device": {text}, "d0.measures": {text}, "d1.at": {"1"}, "d1.model": {text}, "c0.quantity": {text}, "c0.from": {text}}.Encode()
		}
		resp, page := webtest.Ask(t, http.MethodPost, s.URL()+editorPath, form(evilID), "Content-Type", "application/x-www-form-urlencoded")
		_, other := webtest.Ask(t, http.MethodPost, tame.URL()+editorPath, form(harmless(evilID)), "Content-Type", "application/x-www-form-urlencoded")
		hold("editor, "+do, resp, page, other)
	}
	var page, other strings.Builder
	if err := errors.Join(ui.WriteHTML(&page, evilReport(t, ""), "v1"), ui.WriteHTML(&other, reportSaying(t, harmless(evilID), harmless(evil)), "v1")); err != nil {
		t.Fatal(err)
	}
	hold("the printed report", &http.Response{StatusCode: 200}, page.String(), other.String())
}

// shapeOf lists a page's elements with the names of their attributes, and the addresses that are not of this server.
func shapeOf(t *testing.T, page string) (shape, strays []string) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		line := n.Data
		for _, a := range n.Attr {
			line += " " + a.Key
			switch own := strings.HasPrefix(a.Val, "/") && !strings.HasPrefix(a.Val, "//") || strings.HasPrefix(a.Val, "#"); a.Key {
			case "href", "src", "action", "formaction", "data-stream":
				if !own {
					strays = append(strays, fmt.Sprintf("%s %s=%q", n.Data, a.Key, a.Val))
				}
			}
		}
		shape = append(shape, line)
	}
	return shape, strays
}

// TestMarkupInBrowser: a real browser runs nothing of what devices send, neither of a page as it comes nor of what
// the script puts into it.
func TestMarkupInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	s, reports, traffic, paths := evilBoat(t)
	ctx := webtest.Browser(t)
	const state = `[String(window.harmed), document.scripts.length, document.querySelectorAll("img, [onload], [onerror]").length, document.body.textContent.includes("window.harmed")].join()`
	for i, path := range paths {
		webtest.Show(t, ctx, s.URL()+path, webtest.Phone, false)
		if live := webtest.Script[bool](t, ctx, "!!document.querySelector('main[data-live]')"); live {
			word := fmt.Sprintf("news%d", i)
			next := evilReport(t, word)
			next.TakenAt = next.TakenAt.Add(time.Duration(i+2) * time.Minute)
			reports.Set(next)
			if path == "/" || strings.HasPrefix(path, "/devices/") && !strings.Contains(path, "script%3E") {
				webtest.Poll(t, ctx, fmt.Sprintf("document.body.textContent.includes(%q)", word))
			}
		}
		if path == "/traffic" {
			webtest.Script[int](t, ctx, "document.getElementById('traffic').replaceChildren(), 0")
			webtest.Script[int](t, ctx, "new Promise(r => setTimeout(r, 200, 0))")
			say(traffic)
			webtest.Poll(t, ctx, "document.getElementById('traffic').textContent.includes('window.harmed')")
			webtest.Poll(t, ctx, "['no checksum', 'wrong tag block checksum'].every(s => [...document.querySelectorAll('#traffic .flag')].some(e => e.textContent === s))")
		}
		want := "undefined,1,0,true"
		if path == "/work" || path == "/" || path == "/backbone/edit" || strings.HasPrefix(path, "/?") { // they have a script of their own
			want = "undefined,2,0,true"
		}
		if strings.HasPrefix(path, "/snapshots/record") || strings.HasPrefix(path, "/backbone/report") { // on paper
			want = "undefined,0,0,true"
		}
		got := webtest.Script[string](t, ctx, state)
		if says, _ := strings.CutSuffix(want, ",true"); got != want && !(slices.Contains([]string{"/snapshots"}, path) || strings.Contains(path, "?said=")) || !strings.HasPrefix(got, says) {
			t.Errorf("%s: %s, want %s", path, got, want)
		}
	}
	if err := chromedp.Do(ctx); err != nil {
		t.Error(err)
	}
}

// TestBadForms: what is wrong with a form is shown on a page, and nothing is done.
func TestBadForms(t *testing.T) {
	desk := &fakeDesk{}
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: desk})
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	file := func(name, text string) string {
		return "--cut\r\nContent-Disposition: form-data; name=\"" + name + "\"; filename=\"order.json\"\r\n\r\n" + text + "\r\n--cut--\r\n"
	}
	upload := []string{"Content-Type", "multipart/form-data; boundary=cut"}
	long := strings.Repeat("x", api.BodyLimit+1)
	for _, tt := range []struct {
		name, path, body string
		headers          []string
		want             int
		says             string
	}{
		{"nobody acknowledges", "/alerts/acknowledge", "alert=software-differs:display&by=+", form, 422, "enter your name"},
		{"an alert that is none", "/alerts/acknowledge", "alert=%3Cb%3E&by=Jo", form, 404, "&lt;b&gt;"},
		{"a role that is none", "/work/manual", "model=x&role=toaster", form, 422, "toaster"},
		{"a silence too long", "/silences", "device=" + strings.Repeat("x", 101) + "&for=8h&by=Jo&why=x", form, 422, "too long"},
		{"a reason too long", "/silences", "check=silent&for=8h&by=Jo&why=" + strings.Repeat("x", 201), form, 422, "too long"},
		{"a device that does not print", "/silences", "device=a%00b%0D&for=8h&by=Jo&why=x", form, 422, "is not an id"},
		{"no model", "/work/manual", "role=radio", form, 422, "enter the model of the device"},
		{"a text too long", "/work/manual", "model=" + strings.Repeat("x", 2000), form, 422, "too long"},
		{"a device that is none", "/work/manual/remove", "id=..%2F..", form, 404, "there is none"},
		{"a huge form", "/work/manual", "model=" + long, form, 413, "too large"},
		{"hours that are none", "/work/entry", "kind=hours&hours=NaN&by=Jo", form, 422, "is no time worked"},
		{"parts that are none", "/work/entry", "kind=part&text=x&count=-1&by=Jo", form, 422, "is no number of parts"},
		{"strokes that are none", "/work/entry", "kind=signed-off&customer=A&strokes=%5B1%5D", form, 422, "signature"},
		{"a huge picture", "/work/entry", file("picture", strings.Repeat(long, 3)), upload, 413, "too large"},
		{"a broken upload", "/work/entry", "--cut\r\nContent-Dis", upload, 422, "That did not work"},
		{"another site", "/work/act", "", append(slices.Clone(form), "Origin", "https://elsewhere.example"), 403, "a page of another site cannot act here"},
		{"another site's frame", "/snapshots/take", "", append(slices.Clone(form), "Sec-Fetch-Site", "cross-site"), 403, "a page of another site cannot act here"},
		{"a huge login", "/login", "token=" + long, form, 400, "cannot be read"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			resp, text := webtest.Ask(t, http.MethodPost, s.URL()+tt.path, tt.body, tt.headers...)
			if resp.StatusCode != tt.want || !strings.Contains(text, tt.says) {
				t.Errorf("%s, want %d %q: %s", resp.Status, tt.want, tt.says, words(text))
			}
		})
	}
	if len(desk.told) > 0 || len(s.Snapshots()) > 0 {
		t.Errorf("the desk was told %v, %d snapshots were taken", desk.told, len(s.Snapshots()))
	}
}
