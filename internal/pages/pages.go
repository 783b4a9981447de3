package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"muster/internal/api"
	"muster/internal/report"
	"muster/internal/ui"
)

// confirmations are what a page may show after a form, by the key in its address.
var confirmations = map[string]string{
	"acknowledged": "Acknowledged.",
	"reopened":     "Acknowledgement taken back.",
	"taken":        "Snapshot taken and sealed.",
	"entered":      "Device added.",
	"removed":      "Device removed.",
	"opened":       "Job opened.",
	"done":         "Done.",
	"put":          "Saved in the job.",
	"taken-over":   "Job taken over.",
	"accepted":     "Baseline set.",
	"no-baseline":  "Baseline removed.",
	"silenced":     "Silence started.",
	"unsilenced":   "Silence ended.",
	"decided":      "Decision saved.",
	"undecided":    "Decision removed.",
	"read":         "Reading saved in the job.",
	"layout":       "Layout saved on the boat. It is in force from now on.",
	"found":        "Fault found: saved in the job.",
}

// pageCache keeps the pages of the latest report, so that many readers cost one rendering.
type pageCache struct {
	mu     sync.Mutex
	report *report.Report
	pages  map[string][]byte
}

// cachedPages bounds the cache: addresses with filters of a reader's own choice could fill it.
const cachedPages = 64

func (c *pageCache) get(r *report.Report, key string, render func() ([]byte, error)) ([]byte, error) {
	c.mu.Lock()
	if c.report != r || len(c.pages) >= cachedPages {
		c.report, c.pages = r, map[string][]byte{}
	}
	page, ok := c.pages[key]
	c.mu.Unlock()
	if ok {
		return page, nil
	}
	page, err := render()
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.report == r {
		c.pages[key] = page
	}
	return page, nil
}

func (c *pageCache) clear() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.report = nil
}

// site is the pages of one boat.
type site struct {
	boat    *api.Server
	door    *api.Door
	opt     api.Options
	shown   pageCache
	finders map[string]found // pages by their paths
}

// Add gives a server the pages of its boat. It is called before Serve.
func Add(boat *api.Server) { newSite(boat) }

func newSite(boat *api.Server) *site {
	s := &site{boat: boat, door: boat.Door(), opt: boat.Options(), finders: map[string]found{}}
	s.door.Ask(s.loginPage)
	s.door.Allow(editorPath)
	s.door.Allow(measuresPath)
	s.addPages(boat.Mux())
	return s
}

func (s *site) addPages(mux *http.ServeMux) {
	mux.Handle("GET /static/", http.StripPrefix("/static/", ui.Static()))
	s.page(mux, "GET /{$}", "boat", s.boatData)
	s.page(mux, "GET /devices/{id}", "device", s.deviceData)
	s.page(mux, "GET /network", "network", s.networkData)
	s.page(mux, "GET /work", "work", s.workData)
	s.page(mux, "GET /snapshots", "snapshots", s.snapshotsData)
	s.page(mux, "GET /traffic", "traffic", s.trafficData)
	mux.HandleFunc("GET /traffic.log", s.trafficLog)
	s.page(mux, "GET /fault/{id}", "fault", s.faultData)
	s.addFaultForms(mux)
	s.addHelp(mux)
	s.addMeasures(mux)
	s.addSilencesPage(mux)
	s.addBaselineForms(mux)
	s.addDecideForms(mux)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if !api.IsPage(r) && api.OtherMethod(mux, w, r) {
			return
		}
		s.failed(w, r, fmt.Errorf("%w at %s: use the menu", errNoPage, strconv.Quote(r.URL.Path)))
	})
	mux.HandleFunc("GET /backbone/report", s.commissioningReport)
	mux.HandleFunc("GET /backbone/report.pdf", s.commissioningReport)
	mux.HandleFunc("GET "+editorPath, s.editor)
	mux.HandleFunc("POST "+editorPath, s.editor)
	mux.HandleFunc("POST "+keepPath, s.editor)
	mux.HandleFunc("GET /snapshots/record", s.serviceRecord)
	mux.HandleFunc("GET /snapshots/record.pdf", s.serviceRecord)
	mux.HandleFunc("GET /proof", formerPath)
	mux.HandleFunc("GET /proof/", formerPath)
	mux.HandleFunc("GET /login", func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet && r.URL.Query().Has("once") {
			s.door.LoginOnce(w, r)
			return
		}
		s.loginPage(w, r, http.StatusOK, "")
	})
	mux.HandleFunc("POST /login", s.door.Login)
	mux.HandleFunc("POST /logout", s.door.Logout)

	s.addAlertForms(mux)
	s.form(mux, "POST /snapshots/take", "/snapshots", "taken", func(context.Context, *http.Request) error {
		_, err := s.boat.TakeSnapshot()
		return err
	})
	s.form(mux, "POST /work/manual", "/work", "entered", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		m, err := api.ManualEntry{Role: f("role"), Manufacturer: f("manufacturer"), Model: f("model"), Serial: f("serial"), Software: f("software"),
			Place: f("place"), Note: f("note"), By: f("by")}.Manual()
		if err == nil {
			_, err = s.opt.Desk.AddManual(ctx, m)
		}
		return err
	})
	s.form(mux, "POST /work/manual/remove", "/work", "removed", func(ctx context.Context, r *http.Request) error {
		return s.opt.Desk.RemoveManual(ctx, r.PostForm.Get("id"))
	})
	s.addJobForms(mux)
}

// formerPath leads from the former path of the snapshots, which people may have bookmarked, to the present one.
func formerPath(w http.ResponseWriter, r *http.Request) {
	to := url.URL{Path: "/snapshots" + strings.TrimPrefix(r.URL.Path, "/proof"), RawQuery: r.URL.RawQuery}
	http.Redirect(w, r, to.String(), http.StatusMovedPermanently)
}

// finder gives the content of a page.
type finder func(*http.Request, *report.Report) (title string, _ content, _ error)

// found is a page by its name in the menu, and the function that gives its content.
type found struct {
	name string
	find finder
}

// page registers a page whose content find gives; an error of ErrNoSuch is answered with 404.
func (s *site) page(mux *http.ServeMux, pattern, name string, find finder) {
	if path, ok := strings.CutPrefix(pattern, "GET "); ok {
		s.finders[strings.TrimSuffix(path, "{$}")] = found{name, find}
	}
	mux.Handle(pattern, ui.Compressed(func(w http.ResponseWriter, r *http.Request) {
		report := s.opt.Reports.Report()
		v := s.view(r, report, name)
		render := func() ([]byte, error) {
			var err error
			if v.Mark, err = s.boat.Mark(report); err != nil {
				return nil, err
			}
			if v.Title, v.Content, err = find(r, report); err != nil {
				return nil, err
			}
			return v.render(), nil
		}
		var page []byte
		var err error
		if name == "traffic" || name == "measures" {
			page, err = render()
		} else {
			page, err = s.shown.get(report, fmt.Sprint(v.Act, v.Leave, v.Name, " ", v.Measures, " ", r.URL.EscapedPath(), "?", r.URL.RawQuery), render)
		}
		if err != nil {
			s.failed(w, r, err)
			return
		}
		ui.WritePage(w, http.StatusOK, page)
	}))
}

func (s *site) view(r *http.Request, latest *report.Report, name string) *view {
	if latest == nil {
		latest = &report.Report{}
	}
	zone, measures, path := s.zone(), measuresOf(r), r.URL.EscapedPath()
	if measures.UTC {
		zone = time.UTC
	}
	if r.Method != http.MethodGet { // a form of another page
		path = "/"
	}
	v := &view{Showing: ui.Showing{Report: latest, Zone: zone, Measures: measures, Help: true}, Path: path, Version: s.opt.Version, Page: name, Said: confirmations[r.URL.Query().Get("said")], Leave: s.door.AsksToken(),
		Act: s.door.MayAct(r), Name: nameOf(r), Located: s.boat.Located}
	if v.Act {
		v.Acts = v.alertActs
		v.Opened = openedRow(r)
	}
	return v
}

// zone is the boat's time zone.
func (s *site) zone() *time.Location {
	shared := s.sharedJob()
	return shared.Location()
}

// asTyped are the pages that hold words and readings of people, which stand as they were typed, and the documents.
var asTyped = []string{"work", "fault", "silences", "editor", "help"}

// render writes a page of the daemon.
func (v *view) render() []byte {
	page := ui.Rendered(v.document())
	if slices.Contains(asTyped, v.Page) {
		return page
	}
	return ui.Measured(page, v.Measures, v.Zone)
}

// actWithin bounds how long a person waits for an action.
const actWithin = 5 * time.Second

// form registers what a form of a page does; then the reader is sent to the page next, which confirms it. On an error
// the page is shown again with the reason and what was typed.
func (s *site) form(mux *http.ServeMux, pattern, next, said string, act func(context.Context, *http.Request) error) {
	mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		err := r.ParseForm() // by itself: ParseMultipartForm hides its error
		if err == nil {
			if err = r.ParseMultipartForm(api.BodyLimit); errors.Is(err, http.ErrNotMultipart) {
				err = nil
			}
		}
		if err == nil {
			ctx, cancel := context.WithTimeout(r.Context(), actWithin)
			defer cancel()
			err = act(ctx, r)
		}
		if err != nil {
			s.again(w, r, next, err)
			return
		}
		s.shown.clear()
		s.rememberName(w, r)
		page := strings.ReplaceAll(next, "{id}", url.PathEscape(r.PathValue("id")))
		http.Redirect(w, r, page+"?said="+said, http.StatusSeeOther)
	})
}
