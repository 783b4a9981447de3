package main

import (
	"bytes"
	"strings"
	"testing"

	"muster/internal/config"
)

// TestLogChanges: a logger that is in use follows the level and the format that are set later, as copies of it do.
func TestLogChanges(t *testing.T) {
	var out bytes.Buffer
	to := (&app{stderr: &out}).log(config.Log{Level: "info", Format: "auto"})
	log := to.logger()
	part := log.With().Str("component", "daemon").Logger()
	say := func() string {
		out.Reset()
		part.Debug().Msg("decided")
		log.Info().Msg("started")
		part.Warn().Msg("wrong")
		log.Error().Msg("failed")
		return out.String()
	}
	for _, c := range []struct {
		set  config.Log
		want string
		json bool
	}{
		{config.Log{Level: "info", Format: "auto"}, "started wrong failed", true},
		{config.Log{Level: "error", Format: "json"}, "failed", true},
		{config.Log{Level: "trace", Format: "text"}, "decided started wrong failed", false},
		{config.Log{Level: "warn", Format: "auto"}, "wrong failed", true},
	} {
		to.set(c.set)
		text := say()
		var got []string
		for _, word := range []string{"decided", "started", "wrong", "failed"} {
			if strings.Contains(text, word) {
				got = append(got, word)
			}
		}
		if strings.Join(got, " ") != c.want || strings.HasPrefix(text, "{") != c.json {
			t.Errorf("%+v: %s", c.set, text)
		}
	}
}
