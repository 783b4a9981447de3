package pages

import (
	"bytes"
	"errors"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/input/inputtest"
	"muster/internal/ui/webtest"
)

// TestBombs uploads every bomb as a layout, as a signature and as the fields of the layout editor.
func TestBombs(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	post := func(path, kind string, body []byte) (status int, page string) {
		resp, page := webtest.Ask(t, http.MethodPost, s.URL()+path, string(body), "Content-Type", kind)
		return resp.StatusCode, page
	}
	upload := func(path, field, do string, text []byte) (status int, page string) {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		part, _ := w.CreateFormFile(field, "bomb")
		_, _ = part.Write(text)
		_ = w.WriteField("do", do)
		_ = w.Close()
		return post(path, w.FormDataContentType(), b.Bytes())
	}
	refusal := func(status int, page string) error {
		switch {
		case status == http.StatusUnprocessableEntity, status == http.StatusRequestEntityTooLarge, status == http.StatusBadRequest:
			return fmt.Errorf("refused with %d", status)
		case status != http.StatusOK && status != http.StatusSeeOther:
			t.Errorf("answer %d: %.200s", status, page)
		case strings.Contains(page, `aria-labelledby="problems"`):
			return errors.New("refused on the page")
		}
		return nil
	}
	t.Run("layout", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error { return refusal(upload(editorPath, "file", "open", text)) }, "segments")
	})
	t.Run("strokes", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error {
			return refusal(post("/work/entry", "application/x-www-form-urlencoded", []byte("kind=signed-off&customer=A&strokes="+url.QueryEscape(string(text)))))
		}, "strokes")
	})
	t.Run("fields", func(t *testing.T) {
		for name, form := range map[string]string{
			"many fields":        strings.Repeat("a=b&", 250_000),
			"many names":         many("s%d.length=1&", 60_000),
			"many rows":          many("t%d.at=1&", 60_000),
			"rows far away":      many("d%d000000.at=1&", 60_000),
			"one long field":     "boat=" + strings.Repeat("x", 1_000_000),
			"escapes":            "boat=" + strings.Repeat("%2541", 200_000),
			"a field repeatedly": strings.Repeat("boat=x&", 140_000),
		} {
			t.Run(name, func(t *testing.T) {
				inputtest.Try(t, form+"do=add-tee", false, func(text []byte) error {
					return refusal(post(editorPath, "application/x-www-form-urlencoded", text))
				})
			})
		}
	})
}

func many(format string, n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, format, i)
	}
	return b.String()
}
