package web

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"strconv"
	"strings"
	"sync"

	g "maragu.dev/gomponents"

	"muster/internal/boat"
	"muster/internal/release"
)

//go:embed static
var staticFiles embed.FS

// sayings are what a page may tell after a form, by the key in its address.
var sayings = map[string]string{
	"acknowledged": "Acknowledged.",
	"taken":        "The snapshot is taken and sealed.",
	"entered":      "The device is entered.",
	"removed":      "The device is removed.",
	"following":    "The work order is being followed.",
	"ended":        "The work order is no longer followed.",
	"confirmed":    "The version is noted.",
	"accepted":     "The snapshot is the baseline from now on.",
	"no-baseline":  "The boat is held against no baseline.",
	"silenced":     "Silenced.",
	"unsilenced":   "The silence is ended.",
}

// pageCache keeps the pages of the latest report, so that many readers cost one rendering.
type pageCache struct {
	mu     sync.Mutex
	report *boat.Report
	pages  map[string][]byte
}

// cachedPages bounds the cache: addresses with filters of a reader's own choice could fill it.
const cachedPages = 64

func (c *pageCache) get(r *boat.Report, key string, render func() ([]byte, error)) ([]byte, error) {
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

func (s *Server) addPages(mux *http.ServeMux) {
	mux.Handle("GET /static/", http.StripPrefix("/static/", Static()))
	s.page(mux, "GET /{$}", "boat", s.boatData)
	s.page(mux, "GET /devices/{id}", "device", s.deviceData)
	s.page(mux, "GET /network", "network", s.networkData)
	s.page(mux, "GET /work", "work", s.workData)
	s.page(mux, "GET /proof", "proof", s.proofData)
	s.page(mux, "GET /traffic", "traffic", s.trafficData)
	s.addSilencesPage(mux)
	s.addBaselineForms(mux)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if !isPage(r) && OtherMethod(mux, w, r) {
			return
		}
		s.failed(w, r, fmt.Errorf("%w at %s: the menu leads to all there are", errNoPage, strconv.Quote(r.URL.Path)))
	})
	mux.HandleFunc("GET /backbone/report", s.commissioningReport)
	mux.HandleFunc("GET /backbone/report.pdf", s.commissioningReport)
	mux.HandleFunc("GET "+editorPath, s.editor)
	mux.HandleFunc("POST "+editorPath, s.editor)
	mux.HandleFunc("GET /proof/record", s.serviceRecord)
	mux.HandleFunc("GET /proof/record.pdf", s.serviceRecord)
	mux.HandleFunc("GET /login", func(w http.ResponseWriter, r *http.Request) { s.loginPage(w, r, http.StatusOK, "") })
	mux.HandleFunc("POST /login", s.login)
	mux.HandleFunc("POST /logout", s.logout)

	s.form(mux, "POST /alerts/acknowledge", "/", "acknowledged", func(ctx context.Context, r *http.Request) error {
		by := strings.TrimSpace(r.PostForm.Get("by"))
		if by == "" || len(by) > 240 {
			return errors.New("say who acknowledges, in up to 60 characters")
		}
		return s.opt.Desk.Acknowledge(ctx, r.PostForm.Get("alert"), by)
	})
	s.form(mux, "POST /proof/take", "/proof", "taken", func(context.Context, *http.Request) error {
		_, err := s.takeSnapshot()
		return err
	})
	s.form(mux, "POST /work/manual", "/work", "entered", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		m, err := ManualEntry{Role: f("role"), Maker: f("maker"), Model: f("model"), Serial: f("serial"), Software: f("software"),
			Place: f("place"), Note: f("note"), By: f("by")}.manual()
		if err == nil {
			_, err = s.opt.Desk.AddManual(ctx, m)
		}
		return err
	})
	s.form(mux, "POST /work/manual/remove", "/work", "removed", func(ctx context.Context, r *http.Request) error {
		return s.opt.Desk.RemoveManual(ctx, r.PostForm.Get("id"))
	})
	s.form(mux, "POST /work/confirm", "/work", "confirmed", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		return s.opt.Desk.Confirm(ctx, f("step"), strings.TrimSpace(f("version")), strings.TrimSpace(f("by")))
	})
	s.form(mux, "POST /work/order", "/work", "following", func(ctx context.Context, r *http.Request) error {
		file, _, err := r.FormFile("order")
		if err != nil {
			return errors.New("choose the file of a work order, as muster plan writes it")
		}
		defer file.Close()
		text, err := io.ReadAll(file)
		if err != nil {
			return fmt.Errorf("read the work order: %w", err)
		}
		order, err := release.ParseOrder(text)
		if err != nil {
			return err
		}
		return s.opt.Desk.Follow(ctx, order)
	})
	s.form(mux, "POST /work/end", "/work", "ended", func(ctx context.Context, _ *http.Request) error { return s.opt.Desk.Follow(ctx, nil) })
}

// Static serves the style, the script and the icon.
func Static() http.Handler {
	sub, err := fs.Sub(staticFiles, "static")
	if err != nil {
		return http.NotFoundHandler()
	}
	files := http.FileServerFS(sub)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "" { // it would list them
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "no-cache")
		files.ServeHTTP(w, r)
	})
}

// finder gives the content of a page.
type finder func(*http.Request, *boat.Report) (title string, _ content, _ error)

// found is a page by its name in the menu, and what finds its content.
type found struct {
	name string
	find finder
}

// page registers a page whose content find gives; an error of ErrNoSuch is answered with 404.
func (s *Server) page(mux *http.ServeMux, pattern, name string, find finder) {
	if path, ok := strings.CutPrefix(pattern, "GET "); ok {
		s.finders[strings.TrimSuffix(path, "{$}")] = found{name, find}
	}
	mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		report := s.opt.Reports.Report()
		v := s.view(r, report, name)
		render := func() ([]byte, error) {
			etag, err := s.encoded.etag(report)
			if err != nil {
				return nil, err
			}
			v.Mark = strings.Trim(etag, `"`)
			if v.Title, v.Content, err = find(r, report); err != nil {
				return nil, err
			}
			return v.render(), nil
		}
		var page []byte
		var err error
		if name == "traffic" {
			page, err = render()
		} else {
			page, err = s.shown.get(report, fmt.Sprint(v.Act, v.Leave, " ", r.URL.EscapedPath(), "?", r.URL.RawQuery), render)
		}
		if err != nil {
			s.failed(w, r, err)
			return
		}
		WritePage(w, http.StatusOK, page)
	})
}

func (s *Server) view(r *http.Request, report *boat.Report, name string) *view {
	if report == nil {
		report = &boat.Report{}
	}
	return &view{Report: report, Version: s.opt.Version, Page: name, Said: sayings[r.URL.Query().Get("said")], Leave: !s.access.open(),
		Act: s.access.right(r) == acting}
}

// render writes a page of the daemon.
func (v *view) render() []byte { return rendered(v.document()) }

// fixed is a part that never changes, set once for all pages. It holds nothing that came from outside.
func fixed(n g.Node) g.Node {
	text := bytes.Clone(rendered(n)) // without the room to grow
	return g.NodeFunc(func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

func rendered(n g.Node) []byte {
	var page bytes.Buffer
	page.Grow(4096)     // as much as the smallest page takes
	_ = n.Render(&page) // a buffer takes everything
	return page.Bytes()
}

// WritePage answers with a page.
func WritePage(w http.ResponseWriter, status int, page []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(page)
}

// form registers what a form of a page does; then the reader is sent to the page next, which says so. On an error the page is shown again,
// with what was wrong and what was typed.
func (s *Server) form(mux *http.ServeMux, pattern, next, said string, act func(context.Context, *http.Request) error) {
	mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		err := r.ParseForm() // by itself: ParseMultipartForm hides its error
		if err == nil {
			if err = r.ParseMultipartForm(bodyLimit); errors.Is(err, http.ErrNotMultipart) {
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
		http.Redirect(w, r, next+"?said="+said, http.StatusSeeOther)
	})
}

// WriteHTML writes the report as one page that needs nothing else, to be kept or printed.
func WriteHTML(w io.Writer, r *boat.Report, version string) error {
	style, err := staticFiles.ReadFile("static/muster.css")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	v := view{Report: r, Version: version, Page: "boat", Printed: true, Content: boatView(r)}
	if _, err := w.Write(rendered(v.alone(string(style)))); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}
