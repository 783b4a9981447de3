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

// maxSilence bounds a silence: nobody is to be kept from an alert by what was set in an earlier season.
const maxSilence = 90 * 24 * time.Hour

// SilenceEntry is what a person tells of a silence.
type SilenceEntry struct {
	Alert  string `json:"alert,omitempty" maxLength:"300" doc:"Id of one alert; without check and device."`
	Check  string `json:"check,omitempty" maxLength:"60" doc:"Id of a check, such as silent."`
	Device string `json:"device,omitempty" maxLength:"100" doc:"Id of a device concerned."`
	For    string `json:"for" minLength:"2" maxLength:"20" doc:"How long: 30m, 8h; 2160h, 90 days, at most."`
	By     string `json:"by" minLength:"1" maxLength:"60" doc:"Who sets it."`
	Why    string `json:"why" minLength:"1" maxLength:"200"`
}

// Silence checks what a schema cannot.
func (e SilenceEntry) Silence() (alert.Silence, time.Duration, error) {
	for _, p := range []*string{&e.Check, &e.By, &e.Why} { // the ids of alerts and devices go as they came
		*p = boat.Printable(strings.TrimSpace(*p))
	}
	span, err := time.ParseDuration(e.For)
	switch long := func(text string, most int) bool { return utf8.RuneCountInString(text) > most }; {
	case long(e.Alert, 300) || long(e.Check, 60) || long(e.Device, 100) || long(e.By, 60) || long(e.Why, 200): // a form has no schema
		return alert.Silence{}, 0, errors.New("a text is too long: keep the name to 60 characters and the reason to 200, and take ids as the report lists them")
	case boat.Printable(e.Device) != e.Device: // a form could not give it back to end the silence
		return alert.Silence{}, 0, fmt.Errorf("device: %q is no id: the report lists the ids", e.Device)
	case err != nil:
		return alert.Silence{}, 0, fmt.Errorf("for: %q is no duration: write it as 30m or 8h", e.For)
	case span < time.Minute || span > maxSilence:
		return alert.Silence{}, 0, fmt.Errorf("for: %v must be 1m to 2160h, 90 days", span)
	case e.Alert == "" && e.Check == "" && e.Device == "":
		return alert.Silence{}, 0, errors.New("silence: neither an alert nor a check nor a device is given: say what is to be silenced")
	case e.Alert != "" && (e.Check != "" || e.Device != ""):
		return alert.Silence{}, 0, errors.New("silence: both one alert and more are given: name the alert alone, or a check, a device or both")
	case e.By == "":
		return alert.Silence{}, 0, errors.New("by: it is empty: say who sets the silence")
	case e.Why == "":
		return alert.Silence{}, 0, errors.New("why: it is empty: say why, for those who wonder later")
	}
	return alert.Silence{Alert: e.Alert, Check: e.Check, Device: e.Device, By: e.By, Why: e.Why}, span, nil
}

// addSilences registers silences, and reading the config again.
func (s *Server) addSilences(api huma.API, post operation) {
	read(api, "list-silences", "/silences", "Silences, in the order in which they were set; those of the work order are marked", "alerts",
		func(context.Context, *struct{}) ([]alert.Silence, error) {
			return append([]alert.Silence{}, s.opt.Desk.Silences()...), nil
		})
	answering(api, post("add-silence", http.MethodPost, "/silences", "Keep one alert, or alerts of a check, of a device, or of both together from being told for a time; they are still shown", "alerts", 201, 404, 413),
		func(ctx context.Context, in *struct{ Body SilenceEntry }) (alert.Silence, error) {
			silence, span, err := in.Body.Silence()
			if err == nil {
				silence, err = s.opt.Desk.Silence(ctx, silence, span)
			}
			return silence, problem(err)
		})
	huma.Register(api, post("end-silence", http.MethodDelete, "/silences", "End the silence with exactly this alert, check and device; what it held back and still stands is told then", "alerts", 204, 404),
		func(ctx context.Context, in *struct {
			Alert  string `query:"alert" maxLength:"300"`
			Check  string `query:"check" maxLength:"60"`
			Device string `query:"device" maxLength:"100"`
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.EndSilence(ctx, alert.Silence{Alert: in.Alert, Check: in.Check, Device: in.Device}))
		})
	answering(api, post("reload-config", http.MethodPost, "/reload", "Read the config file again; one that cannot be used leaves the present one in force", "running", 200),
		func(ctx context.Context, _ *struct{}) (Reloaded, error) {
			done, err := s.opt.Desk.ReloadConfig(ctx)
			done.AfterRestart = append([]string{}, done.AfterRestart...)
			return done, problem(err)
		})
}
