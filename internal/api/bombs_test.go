package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"muster/internal/input/inputtest"
	"muster/internal/ui/webtest"
)

// TestBombs sends every bomb to every operation that takes a body.
func TestBombs(t *testing.T) {
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	for _, op := range []struct{ method, path, key string }{
		{http.MethodPost, "/alerts/x/acknowledge", "by"},
		{http.MethodPost, "/manual-devices", "model"},
		{http.MethodPost, "/job", "number"},
		{http.MethodPost, "/job/acts", "without"},
		{http.MethodPost, "/job/entries", "strokes"},
		{http.MethodPost, "/silences", "devices"},
		{http.MethodPut, "/baseline", "snapshot"},
	} {
		t.Run(strings.Trim(op.path, "/"), func(t *testing.T) {
			inputtest.JSON(t, func(text []byte) error {
				r := httptest.NewRequest(op.method, "http://localhost"+Prefix+op.path, strings.NewReader(string(text)))
				r.RemoteAddr = "127.0.0.1:1"
				r.Header.Set("Content-Type", "application/json")
				w := httptest.NewRecorder()
				s.http.Handler.ServeHTTP(w, r)
				switch w.Code {
				case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
					return fmt.Errorf("%d: %s", w.Code, w.Body)
				}
				t.Errorf("%d: %.200s", w.Code, w.Body)
				return nil
			}, op.key)
		})
	}
}
