package config

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
)

// Bounds of accepted.
const (
	maxAccepted = 100
	maxWhy      = 200 // characters
)

// validateAccepted checks what the owner lives with. A reason is asked for, for those who wonder later.
func (c *Config) validateAccepted(bad func(key, format string, args ...any)) {
	if n := len(c.Accepted); n > maxAccepted {
		bad("accepted", "%d matters are more than %d: turn a check off instead, under checks", n, maxAccepted)
		return
	}
	seen := map[alert.Accepted]int{}
	for i, a := range c.Accepted {
		key := "accepted." + strconv.Itoa(i)
		switch {
		case a.Check == "":
			bad(key, "check is missing: give the id of the check whose alerts are accepted, such as multiple-sources")
			continue
		case !slices.Contains(check.IDs(), a.Check):
			bad(key+".check", "there is no check %q: the alerts and deploy/muster.yaml show their ids", a.Check)
		}
		if why := strings.TrimSpace(a.Why); why == "" {
			bad(key, "why is missing: give the reason for which it is accepted")
		} else if utf8.RuneCountInString(why) > maxWhy || boat.Printable(why) != why {
			bad(key+".why", "%q must be up to %d characters in one plain line", a.Why, maxWhy)
		}
		a.Why = ""
		if first, dup := seen[a]; dup {
			bad(key, "it is accepted already, by entry %d: leave one out", first+1)
			continue
		}
		seen[a] = i
	}
}

var targetID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,30}$`)

// validateNotify checks the notification targets, and names those without an id.
func (c *Config) validateNotify(bad func(key, format string, args ...any)) {
	ids := map[string]bool{}
	for i := range c.Notify {
		t, key := &c.Notify[i], "notify."+strconv.Itoa(i)
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
			bad(key, "duplicate notification target %q: give each its own id", t.ID)
		}
		ids[t.ID] = true
		if t.MinSeverity != "" && t.MinSeverity.Rank() == 0 {
			bad(key+".min_severity", "%q is not one of info, warning, critical", t.MinSeverity)
		}
	}
}
