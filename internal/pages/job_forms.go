package pages

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/input"
	"muster/internal/job"
)

// nameCookie holds the name that a person gave last, so that it is typed once on each phone.
const nameCookie = "muster-name"

// nameOf is that name, "" when none was given.
func nameOf(r *http.Request) string {
	c, err := r.Cookie(nameCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || len(name) > 240 {
		return ""
	}
	return boat.Printable(strings.TrimSpace(name))
}

func (s *site) rememberName(w http.ResponseWriter, r *http.Request) {
	if name := strings.TrimSpace(r.PostForm.Get("by")); name != "" && len(name) <= 240 {
		http.SetCookie(w, &http.Cookie{Name: nameCookie, Value: url.QueryEscape(name), Path: "/", HttpOnly: true, Secure: s.door.Secure(r),
			SameSite: http.SameSiteStrictMode, MaxAge: int((90 * 24 * time.Hour).Seconds())})
	}
}

// jobWork is the work order of the latest job, open or closed.
func (s *site) jobWork() api.Work {
	if j := s.opt.Desk.Job(); j != nil {
		return j.Work
	}
	return api.Work{}
}

// Paths of the job's forms.
const (
	openPath  = "/work/open"
	actPath   = "/work/act"
	entryPath = "/work/entry"
	takePath  = "/work/take"
)

func (s *site) addJobForms(mux *http.ServeMux) {
	s.door.Take(entryPath, api.PictureLimit)
	s.door.Take(takePath, api.PackLimit)
	mux.HandleFunc("GET /work/file", s.jobFile)
	mux.HandleFunc("GET /work/pack", s.jobPack)
	s.form(mux, "POST "+openPath, "/work", "opened", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		return s.opt.Desk.OpenJob(ctx, api.NewJob{By: f("by"), Number: f("number"), Boat: f("boat"), Customer: f("customer"),
			Place: f("place"), AskedFor: f("asked_for")})
	})
	s.form(mux, "POST "+actPath, "/work", "done", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		a := api.JobAct{By: f("by"), Do: f("do"), Because: f("because"), To: f("to")}
		if a.Do == "plan" {
			if err := choose(&a, r.PostForm); err != nil {
				return err
			}
		}
		return s.opt.Desk.ActOnJob(ctx, a)
	})
	s.form(mux, "POST "+entryPath, "/work", "put", s.entry)
	s.form(mux, "POST "+takePath, "/work", "taken-over", func(ctx context.Context, r *http.Request) error {
		file, head, err := r.FormFile("pack")
		if err != nil {
			return errors.New("file: choose the file in which the job was handed over")
		}
		defer file.Close()
		return s.opt.Desk.TakeJob(ctx, r.PostForm.Get("by"), file, head.Size)
	})
}

// entry puts in what a form of the job gives: a picture, an entry, or an entry with its picture.
func (s *site) entry(ctx context.Context, r *http.Request) error {
	f := func(key string) string { return strings.TrimSpace(r.PostForm.Get(key)) }
	e := api.JobEntry{By: f("by"), Kind: job.Kind(f("kind")), Point: f("point"), Check: f("check"), Step: f("step"), Version: f("version"),
		Reading: f("reading"), Reason: f("reason"), Text: f("text"), Number: f("number")}
	var err error
	switch e.Kind {
	case job.Hours:
		e.Minutes, err = minutes(f("hours"))
	case job.Part:
		if text := f("count"); text != "" {
			if e.Count, err = strconv.Atoi(text); err != nil || e.Count < 1 || e.Count > 10_000 {
				err = fmt.Errorf("count: %s is no number of parts", input.Quote(text))
			}
		}
	case job.SignedOff:
		e.By = f("customer")
		e.Strokes, err = strokes(ctx, f("strokes"))
	}
	if err != nil {
		return err
	}
	if e.Photo, err = s.picture(ctx, r, e.By, e.Text); err != nil {
		return err
	}
	if e.Photo != "" && e.Kind == job.Note && e.Text == "" {
		return nil // the picture alone
	}
	return s.boat.AddToJob(ctx, e)
}

// picture puts the picture of a form into the job; "" when it has none.
func (s *site) picture(ctx context.Context, r *http.Request, by, text string) (string, error) {
	file, _, err := r.FormFile("picture")
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("picture: %w", err)
	}
	defer file.Close()
	data, err := input.Read(ctx, "", file, job.MaxPicture)
	if err != nil {
		return "", fmt.Errorf("picture: %w", err)
	}
	if len(data) == 0 { // a browser sends an empty one when none was chosen
		return "", nil
	}
	return s.opt.Desk.AddPicture(ctx, by, text, data)
}

// minutes is a time worked that was entered in hours: 1.5 or 1,5.
func minutes(text string) (int, error) {
	h, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !(h > 0 && h <= 1000) {
		return 0, fmt.Errorf("hours: %s is no time worked: enter 1.5", input.Quote(text))
	}
	return int(math.Round(h * 60)), nil
}

// maxStrokes bounds the text of a signature.
const maxStrokes = 128 << 10

// strokes reads a signature as the script draws it: lines of points.
func strokes(ctx context.Context, text string) (out [][][2]int, err error) {
	if text == "" {
		return nil, nil
	}
	if len(text) > maxStrokes {
		return nil, errors.New("signature: it has too many points: sign again")
	}
	if err := input.JSON(ctx, "", []byte(text), &out); err != nil {
		return nil, fmt.Errorf("signature: %w", err)
	}
	return out, nil
}

// jobFile gives a file of the latest job.
func (s *site) jobFile(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("name")
	data, err := s.opt.Desk.JobFile(r.Context(), name)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	switch path.Ext(name) {
	case ".html":
		standAlone(w, "text/html; charset=utf-8")
	case ".pdf":
		standAlone(w, "application/pdf")
	case ".jpg":
		w.Header().Set("Content-Type", "image/jpeg")
	default:
		attachment(w, "application/octet-stream", path.Base(name))
	}
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data)
}

// jobPack gives a job as one file.
func (s *site) jobPack(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("job")
	pack, err := s.opt.Desk.PackJob(r.Context(), name)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if j := s.opt.Desk.Job(); name == "" && j != nil {
		name = j.Folder
	}
	defer pack.Close()
	attachment(w, "application/zip", name+".zip")
	_, _ = io.Copy(w, pack)
}

// attachment sets the headers of a file to keep.
func attachment(w http.ResponseWriter, kind, name string) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
}
