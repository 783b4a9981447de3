package pages

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"muster/deploy"
	"muster/internal/api"
	"muster/internal/check"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

// TestHelp: every topic and every check has its page. Each link of these leads to one of them, and its place is there.
// Markdown that was not understood would be seen.
func TestHelp(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(&report.Report{}), Desk: &sayingDesk{}})
	bodies := map[string]string{}
	fetch := func(path string) string {
		if body, ok := bodies[path]; ok {
			return body
		}
		answer, body := webtest.Get(t, s.URL()+path)
		if answer.StatusCode != http.StatusOK {
			t.Errorf("%s: status %d", path, answer.StatusCode)
		}
		bodies[path] = body
		return body
	}
	fetch("/help/")
	for _, topic := range deploy.Topics() {
		fetch("/help/" + topic.Name)
	}
	for _, id := range check.IDs() {
		if body := fetch("/help/checks/" + id); !strings.Contains(body, "<h2") {
			t.Errorf("%s: nothing explains it", id)
		}
	}
	link := regexp.MustCompile(`href="(/help/[^"#]*)(?:#([^"]*))?"`)
	markup := regexp.MustCompile("```|\\]\\(|\\| ---|\\*\\*")
	links, inText := 0, regexp.MustCompile("<pre.*?</pre>|<code>.*?</code>")
	for path, body := range bodies {
		for _, m := range link.FindAllStringSubmatch(body, -1) {
			links++
			if to := fetch(m[1]); m[2] != "" && !strings.Contains(to, `id="`+m[2]+`"`) {
				t.Errorf("%s: %s has no place %s", path, m[1], m[2])
			}
		}
		if markup.MatchString(inText.ReplaceAllString(strings.ReplaceAll(body, "\n", " "), "")) {
			t.Errorf("%s shows Markdown", path)
		}
	}
	if links < 100 || !strings.Contains(bodies["/help/sheets"], "<table>") ||
		!strings.Contains(bodies["/help/laptop"], `href="/help/release"`) {
		t.Errorf("%d links; or no table, or no link between topics", links)
	}
	for _, path := range []string{"/help/nonsense", "/help/checks/nonsense"} {
		if answer, _ := webtest.Get(t, s.URL()+path); answer.StatusCode != http.StatusNotFound {
			t.Errorf("%s: status %d", path, answer.StatusCode)
		}
	}
}

// TestBrowserHelp: pages of help are readable in both widths and schemes, as the other pages are.
func TestBrowserHelp(t *testing.T) {
	ctx, engine := webtest.Browser(t), webtest.Axe(t)
	s := serve(t, api.Options{Reports: webtest.NewReports(&report.Report{}), Desk: &sayingDesk{}})
	for _, path := range []string{"/help/", "/help/laptop", "/help/checks", "/help/config", "/help/checks/silent"} {
		t.Run(path, func(t *testing.T) { webtest.Hold(t, ctx, engine, s.URL()+path) })
	}
}

// TestHelpShowsTextAsText: what looks like HTML in a document is shown, not obeyed.
func TestHelpShowsTextAsText(t *testing.T) {
	var page strings.Builder
	_, body := markdown("job", "# One\n\nA <script>x</script> [link](javascript:alert) `<b>`\n\n<div>y</div>\n")
	if err := body.Render(&page); err != nil {
		t.Fatal(err)
	}
	if s := page.String(); regexp.MustCompile("<script|<div|<b>|href").MatchString(s) {
		t.Error(s)
	}
}
