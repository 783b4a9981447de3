package config

import (
	"fmt"
	"net/url"
	"regexp"
	"strconv"
)

var targetID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,30}$`)

// validateTell checks whom alerts are told, and names those without an id.
func (c *Config) validateTell(bad func(key, format string, args ...any)) {
	ids := map[string]bool{}
	for i := range c.Tell {
		t, key := &c.Tell[i], "tell."+strconv.Itoa(i)
		kind, address := "webhook", t.Webhook
		if t.Alertmanager != "" {
			kind, address = "alertmanager", t.Alertmanager
		}
		if (t.Webhook == "") == (t.Alertmanager == "") {
			bad(key, "give either webhook or alertmanager, with its URL")
			continue
		}
		if u, err := url.Parse(address); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
			bad(key+"."+kind, "%q is no URL: write http://HOST:PORT or https://HOST/PATH", address)
		}
		if t.ID == "" {
			t.ID = fmt.Sprintf("%s-%d", kind, i+1)
		}
		if !targetID.MatchString(t.ID) {
			bad(key+".id", "%q must be up to 31 lower-case letters, digits and hyphens", t.ID)
		}
		if ids[t.ID] {
			bad(key, "%q is told twice: give each an id of its own", t.ID)
		}
		ids[t.ID] = true
		if t.Severity != "" && t.Severity.Rank() == 0 {
			bad(key+".severity", "%q is not one of info, warning, critical", t.Severity)
		}
	}
}
