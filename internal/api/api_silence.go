package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/alert"
	"muster/internal/boat"
)

// maxSilence bounds a silence: one set in an earlier season must not hide an alert.
const maxSilence = 90 * 24 * time.Hour

// SilenceEntry is a silence as a person enters it.
type SilenceEntry struct {
	Alert  string `json:"alert,omitempty" maxLength:"300" doc:"Id of one alert; without check and device."`
	Check  string `json:"check,omitempty" maxLength:"60" doc:"Id of a check, such as silent."`
	Device string `json:"device,omitempty" maxLength:"100" doc:"Id of a device concerned."`
	For    string `json:"for" minLength:"2" maxLength:"20" doc:"Duration: 30m, 8h; at most 2160h (90 days)."`
	By     string `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person who sets it."`
	Why    string `json:"why" minLength:"1" maxLength:"200"`
}

// Silence checks the entry beyond its schema.
func (e SilenceEntry) Silence() (alert.Silence, time.Duration, error) {
	for _, p := range []*string{&e.Check, &e.By, &e.Why} { // the ids of alerts and devices go as they came
		*p = boat.Printable(strings.TrimSpace(*p))
	}
	span, err := time.ParseDuration(e.For)
	switch long := func(text string, most int) bool { return utf8.RuneCountInString(text) > most }; {
	case long(e.Alert, 300) || long(e.Check, 60) || long(e.Device, 100) || long(e.By, 60) || long(e.Why, 200): // a form has no schema
		return alert.Silence{}, 0, errors.New("a text is too long: the limit is 60 characters for the name and 200 for the reason; use ids as the report lists them")
	case boat.Printable(e.Device) != e.Device: // a form could not give it back to end the silence
		return alert.Silence{}, 0, fmt.Errorf("device: %q is not an id: the report lists the ids", e.Device)
	case err != nil:
		return alert.Silence{}, 0, fmt.Errorf("for: %q is not a duration: write it as 30m or 8h", e.For)
	case span < time.Minute || span > maxSilence:
		return alert.Silence{}, 0, fmt.Errorf("for: %v is out of range: use 1m to 2160h (90 days)", span)
	case e.Alert == "" && e.Check == "" && e.Device == "":
		return alert.Silence{}, 0, errors.New("silence: nothing to silence: give an alert, a check or a device")
	case e.Alert != "" && (e.Check != "" || e.Device != ""):
		return alert.Silence{}, 0, errors.New("silence: an alert excludes check and device: give the alert alone, or a check, a device or both")
	case e.By == "":
		return alert.Silence{}, 0, errors.New("by: empty: enter your name")
	case e.Why == "":
		return alert.Silence{}, 0, errors.New("why: empty: enter the reason")
	}
	return alert.Silence{Alert: e.Alert, Check: e.Check, Device: e.Device, By: e.By, Why: e.Why}, span, nil
}

// addSilences registers silences, and reloading the config.
func (s *Server) addSilences(api huma.API, post operation) {
	read(api, "list-silences", "/silences", "Silences, in the order in which they were set; those of the work order are marked", "alerts",
		func(context.Context, *struct{}) ([]alert.Silence, error) {
			return append([]alert.Silence{}, s.opt.Desk.Silences()...), nil
		})
	answering(api, post("add-silence", http.MethodPost, "/silences", "Silence one alert, or the alerts of a check, of a device, or of both together; silenced alerts are shown but not sent", "alerts", 201, 404, 413),
		func(ctx context.Context, in *struct{ Body SilenceEntry }) (alert.Silence, error) {
			silence, span, err := in.Body.Silence()
			if err == nil {
				silence, err = s.opt.Desk.Silence(ctx, silence, span)
			}
			return silence, problem(err)
		})
	huma.Register(api, post("end-silence", http.MethodDelete, "/silences", "End the silence with exactly this alert, check and device; alerts that are still active are sent then", "alerts", 204, 404),
		func(ctx context.Context, in *struct {
			Alert  string `query:"alert" maxLength:"300"`
			Check  string `query:"check" maxLength:"60"`
			Device string `query:"device" maxLength:"100"`
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.EndSilence(ctx, alert.Silence{Alert: in.Alert, Check: in.Check, Device: in.Device}))
		})
	answering(api, post("reload-config", http.MethodPost, "/reload", "Reload the config file; a file with errors changes nothing", "running", 200),
		func(ctx context.Context, _ *struct{}) (Reloaded, error) {
			done, err := s.opt.Desk.ReloadConfig(ctx)
			done.AfterRestart = append([]string{}, done.AfterRestart...)
			return done, problem(err)
		})
}
