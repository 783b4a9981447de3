package pages

import (
	"bytes"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

func example(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/examples/layout.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func parsed(t *testing.T, text string) *backbone.Layout {
	t.Helper()
	l, err := backbone.Parse(t.Context(), "", []byte(text))
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return l
}

// TestDraft: a layout comes out of the editor's form as it went in.
func TestDraft(t *testing.T) {
	odd := `boat: "yes"
network: can0
segments: [{from: a, to: "b: {x}", length: 10 ft, cable: mini}, {from: "b: {x}", to: "1", length: 2 m, cable: micro}]
tees:
  - {at: a, ports: 4}
  - {at: "b: {x}", isolates: true, drops: [{device: "no", name: C0788C00FA400100, load: 1.5, length: 1 m, cable: mid, measures: drop, instance: 2}]}
terminators: [a]
power: [{at: a, voltage: 12.6 V, fuse: 3 A, cable: mid, length: 1.25 m}, {at: "1", voltage: 13}]
readings: {resistance: 61 ohm, voltage: [{at: a, voltage: 12.5}]}
proposed: [{at: a, role: radar, load: 4}]
coverage: [{quantity: speed through water}]
`
	for name, text := range map[string]string{"example": example(t), "odd names": odd} {
		t.Run(name, func(t *testing.T) {
			want := parsed(t, text)
			d := draftOf(want)
			if diff := cmp.Diff(stripped(want), stripped(parsed(t, d.yaml()))); diff != "" {
				t.Errorf("%s\n%s", diff, d.yaml())
			}
		})
	}
}

// stripped is a layout without what the editor writes out: a cable that was left to be micro, and metres to a hair.
func stripped(l *backbone.Layout) *backbone.Layout {
	cable := func(list []backbone.Drop) {
		for i := range list {
			list[i].Cable = strings.Replace(list[i].Cable, "micro", "", 1)
		}
	}
	for i := range l.Tees {
		cable(l.Tees[i].Drops)
	}
	cable(l.Proposed)
	for i := range l.Power {
		l.Power[i].Cable = strings.Replace(l.Power[i].Cable, "micro", "", 1)
	}
	slices.SortFunc(l.Tees, func(a, b backbone.Tee) int { return strings.Compare(a.At, b.At) })
	return l
}

var (
	control = regexp.MustCompile(`(?s)<input name="([^"]+)"[^>]*? value="([^"]*)"|<input type="checkbox" name="([^"]+)" checked>|<select name="([^"]+)">(.*?)</select>`)
	chosen  = regexp.MustCompile(`<option(?: value="([^"]*)")?( selected)?>([^<]*)</option>`)
)

// filled reads the form of the page as a browser does.
func filled(page string) url.Values {
	form := url.Values{}
	for _, m := range control.FindAllStringSubmatch(page, -1) {
		switch {
		case m[1] != "":
			form.Set(m[1], html.UnescapeString(m[2]))
		case m[3] != "":
			form.Set(m[3], "on")
		default:
			options := chosen.FindAllStringSubmatch(m[5], -1)
			for i, o := range options {
				if o[2] != "" || i == 0 {
					value := o[1]
					if !strings.Contains(o[0], "value=") {
						value = html.UnescapeString(o[3])
					}
					form.Set(m[4], value)
				}
			}
		}
	}
	return form
}

// press sends the form with one of its buttons.
func press(t *testing.T, to string, form url.Values, do string) string {
	t.Helper()
	form.Set("do", do)
	resp, err := http.PostForm(to, form)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v", do, resp.Status, err)
	}
	return string(body)
}

// blank is the form of a backbone with nothing on it.
func blank() url.Values {
	return url.Values{"p0.name": {"bow"}, "p0.terminator": {"on"}, "p0.length": {"5 m"}, "p1.name": {"helm"}, "p1.power": {"on"}, "p1.voltage": {"12.6 V"},
		"p1.fuse": {"3 A"}, "p1.length": {"5 m"}, "p2.name": {"stern"}, "p2.terminator": {"on"}}
}

// TestEditor draws a backbone as a person does, button after button.
func TestEditor(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t))})
	to := s.URL() + editorPath
	_, page := webtest.Get(t, to)
	if text := words(page); !strings.Contains(text, "tee 3 12.60 V, power feed") || !strings.Contains(text, "Larkfin LF9 display 12.57 V · 1 alert") {
		t.Fatalf("the editor does not begin with what is received: %s", text)
	}
	page = press(t, to, blank(), "check")
	if text := words(page); !strings.Contains(text, "Result") || !strings.Contains(text, "bow 12.60 V helm 12.60 V, power feed") {
		t.Fatalf("a new layout: %s", text)
	}
	form := filled(page)
	form.Set("p0.name", "fore peak <b>")
	form = filled(press(t, to, form, "add-drop 1"))
	form.Set("d0.device", "plotter")
	form.Set("d0.length", "24 ft")
	form.Set("d0.load", "8")
	page = press(t, to, form, "judge")
	for _, want := range []string{"Drop cable from helm to plotter is 7.3 m (limit 6 m)", "! plotter 12.", "fore peak <b>"} {
		if !strings.Contains(words(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(page, "peak <b>") {
		t.Error("the page holds markup that was typed")
	}
	// A point before the device's moves it along; the device stays where it is.
	form = filled(press(t, to, filled(page), "add-point 1"))
	form.Set("p1.name", "chain locker")
	form.Set("p1.length", "2")
	page = press(t, to, form, "judge")
	if want := `Errors to correct length "2" has no unit: write "2 m" or "2 ft"`; !strings.Contains(words(page), want) {
		t.Errorf("the page does not say %q in %s", want, words(page))
	}
	form = filled(page)
	form.Set("p1.length", "2 m")
	form = filled(press(t, to, form, "remove-point 0"))
	form = filled(press(t, to, form, "take-devices"))
	form.Set("p0.terminator", "on")
	l := parsed(t, press(t, to, form, "save"))
	if got := strings.Join(l.Points(), ", "); got != "chain locker, helm, stern" {
		t.Errorf("points %s", got)
	}
	if l.Tees[1].At != "helm" || l.Tees[1].Drops[0].Device != "plotter" || l.Tees[0].At != "chain locker" || l.Tees[0].Drops[0].Model == "" {
		t.Errorf("tees %+v", l.Tees)
	}
}

// TestEditorOpens: files that are chosen or pasted; what is wrong with one is reported with its place, and it stays to be repaired.
func TestEditorOpens(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, keelLayout)})
	to := s.URL() + editorPath
	if _, page := webtest.Get(t, to+"?network=can0"); !strings.Contains(page, `value="radar"`) {
		t.Error("the editor does not begin with the layout in force")
	}
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	part, _ := w.CreateFormFile("file", "wagtail.yaml")
	_, _ = io.WriteString(part, example(t))
	_ = w.WriteField("do", "open")
	_ = w.Close()
	resp, err := http.Post(to, w.FormDataContentType(), &b)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body)
	if !strings.Contains(string(body), `value="masthead tee"`) {
		t.Errorf("%s: the chosen file is not shown", resp.Status)
	}
	page := press(t, to, url.Values{"text": {"segments:\n  - {from: a, to: a, length: 1 m, cable: rope}\n"}}, "open")
	text := words(page)
	for _, want := range []string{"line 2, column 19: segment 1 (a to a): both ends are one point", "line 2, column 42: segment 1 (a to a): unknown cable", "cable: rope}"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q in %s", want, text)
		}
	}
	if page := press(t, to, url.Values{"text": {"\n\nboat: x"}}, "open"); !strings.Contains(page, ">\n\n\nboat: x</textarea>") { // a browser drops the first of them
		t.Error("the lines of a text are not those that were sent")
	}
	if text := words(press(t, to, url.Values{"text": {" "}}, "open")); !strings.Contains(text, "choose a layout file, or paste its text") {
		t.Errorf("nothing was opened: %s", text)
	}
	long := url.Values{"text": {strings.Repeat("#", api.BodyLimit)}, "do": {"open"}}
	if resp, err := http.PostForm(to, long); err != nil || resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("a file that is too large: %v %v", resp.Status, err)
	}
}

// TestEditorRights: who may read may draw, and no other. TestEditorNewcomers: a layout without devices lists each
// that is there once, with what to do, and how many there are.
func TestEditorNewcomers(t *testing.T) {
	r := webtest.Sample(t)
	s := serve(t, api.Options{Reports: webtest.NewReports(r)})
	page, _, _ := strings.Cut(press(t, s.URL()+editorPath, blank(), "check"), "<form")
	text := words(page)
	told := 0
	for i := range r.Devices {
		label := r.Devices[i].Label()
		if strings.Contains(text, label+" is on the network but not in the layout") {
			told++
			if n := strings.Count(text, label); n != 1 {
				t.Errorf("%s is told %d times", label, n)
			}
		}
	}
	if told != 2 || !strings.Contains(text, "on the network, not in the layout: 2 devices") {
		t.Errorf("%d new devices are shown: %s", told, text)
	}
}

func TestEditorRights(t *testing.T) {
	const act, look = "0123456789abcdef-act", "0123456789abcdef-read"
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Token: act, ReadToken: look})
	for token, want := range map[string]int{look: 200, act: 200, "wrong": 401} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL()+editorPath, strings.NewReader("do=judge&p0.name=a"))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s: %s, want %d", token, resp.Status, want)
		}
	}
}

func FuzzDraft(f *testing.F) {
	f.Add("p0.name=a&p1.name=b&p0.length=1+m&p0.power=on&d0.at=1&d0.load=2&c0.quantity=depth", "add-point 1")
	f.Add("p0.name=a%3A+%7B&p1.name=%22&d0.at=7&d0.measures=9", "remove-point 0")
	f.Fuzz(func(t *testing.T, query, do string) {
		form, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		d := draftFrom(form)
		d.change(do, &report.Report{})
		l, err := backbone.Parse(t.Context(), "", []byte(d.yaml()))
		if err != nil {
			return
		}
		again := draftOf(l)
		if _, err := backbone.Parse(t.Context(), "", []byte(again.yaml())); err != nil {
			t.Errorf("%v\n%s", err, again.yaml())
		}
	})
}

// TestEditorWrong: what is wrong is at its field, nothing that was typed is lost, and the rest is drawn.
func TestEditorWrong(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t))})
	to := s.URL() + editorPath
	begin := blank()
	for name, value := range map[string]string{"d0.at": "1", "d0.device": "plotter", "d0.length": "2 m", "d0.load": "1", "d1.at": "0", "d1.device": "compass", "d1.length": "1 m", "d1.load": "1",
		"d2.at": "2", "d2.device": "radar", "d2.length": "1 m", "d2.load": "1", "d2.planned": "on", "p1.reading": "12.1 V", "c0.quantity": "depth"} {
		begin.Set(name, value)
	}
	for _, tt := range [][2]string{{"p0.length", "2"}, {"p1.length", "rope"}, {"p1.voltage", "much"}, {"p1.fuse", "3 V"}, {"p1.reading", "x"}, {"d0.length", "6"}, {"d0.load", "heavy"},
		{"d1.length", "1 mile"}, {"d2.length", "-3 m"}, {"resistance", "sixty"}, {"p1.ports", "many"}, {"d1.id", "XYZ"}} {
		form := url.Values{}
		for k, v := range begin {
			form[k] = v
		}
		form.Set(tt[0], tt[1])
		page := press(t, to, form, "check")
		var marked []string
		for _, m := range regexp.MustCompile(`<(?:input|select) name="([^"]+)"[^>]* aria-invalid="true" aria-describedby="wrong-([^"]+)"`).FindAllStringSubmatch(page, -1) {
			if marked = append(marked, m[1]); m[1] != m[2] || !strings.Contains(page, `id="wrong-`+m[1]+`"`) {
				t.Errorf("%s is described by %s", m[1], m[2])
			}
		}
		if !slices.Contains(marked, tt[0]) || filled(page).Get(tt[0]) != tt[1] {
			t.Errorf("%s %q: marked are %q, it holds %q: %.300s", tt[0], tt[1], marked, filled(page).Get(tt[0]), words(page))
		}
		if !strings.Contains(page, `class="picture live edited"`) {
			t.Errorf("%s %q: nothing is drawn", tt[0], tt[1])
		}
	}
}

// TestDivide: a tee put into a cable keeps its length, and so does taking it out again.
func TestDivide(t *testing.T) {
	for _, tt := range [][4]string{{"5 m", "2.5 m", "2.5 m", "5 m"}, {"3.3 m", "1.7 m", "1.6 m", "3.3 m"}, {"17 ft", "8.5 ft", "8.5 ft", "17 ft"}, {"long", "long", "", "long"}} {
		d := draft{Points: []draftPoint{{Name: "a", Length: tt[0], Cable: "mid"}, {Name: "b"}}, Drops: []draftDrop{{At: 1}}}
		d.change("add-point 1", nil)
		if p := d.Points; p[0].Length != tt[1] || p[1].Length != tt[2] || p[1].Cable != "mid" || d.Drops[0].At != 2 {
			t.Errorf("%s is divided into %+v", tt[0], p)
		}
		d.change("remove-point 1", nil)
		if p := d.Points; p[0].Length != tt[3] || len(p) != 2 {
			t.Errorf("%s is joined to %+v", tt[0], p)
		}
	}
}
