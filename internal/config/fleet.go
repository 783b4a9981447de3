package config

import (
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strconv"
	"time"
)

// Fleet is the hub that receives the reports of this boat.
type Fleet struct {
	URL         List          `yaml:"url"`         // of the hub, or of several servers of one cluster; empty for no hub
	Credentials string        `yaml:"credentials"` // file that muster-hub enroll made for this boat
	CA          string        `yaml:"ca"`          // PEM file of the hub's trusted authorities; empty: the computer's
	Every       time.Duration `yaml:"every"`       // a report is sent at least this often
	MetricsURL  string        `yaml:"metrics_url"` // where this boat computer can be scraped
}

// On reports whether there is a hub to send to.
func (f *Fleet) On() bool { return len(f.URL) > 0 }

// List is written as one text or as a list.
type List []string

// UnmarshalYAML implements yaml.InterfaceUnmarshaler.
func (l *List) UnmarshalYAML(decode func(any) error) error {
	var one string
	if err := decode(&one); err == nil {
		*l = nil
		if one != "" {
			*l = List{one}
		}
		return nil
	}
	return decode((*[]string)(l))
}

// Bounds of Fleet.Every.
const (
	leastEvery = time.Minute
	mostEvery  = 24 * time.Hour
)

// validateFleet checks the keys of the hub.
func (c *Config) validateFleet(bad func(key, format string, args ...any)) {
	f := &c.Fleet
	if !f.On() {
		if f.Credentials != "" || f.CA != "" || f.MetricsURL != "" {
			bad("fleet", "url is missing: give the address of the hub, such as url: tls://hub.example:4222")
		}
		return
	}
	for i, address := range f.URL {
		key := "fleet.url"
		if len(f.URL) > 1 {
			key += "." + strconv.Itoa(i)
		}
		if err := CheckHubURL(address); err != nil {
			bad(key, "%v", err)
		}
	}
	if c.Boat.ID == "" {
		bad("fleet", "boat.id is missing: it identifies the boat at the hub; give the enrolled one")
	}
	if f.Credentials == "" {
		bad("fleet", "credentials is missing: name the file that muster-hub enroll made for this boat")
	}
	if f.Every < leastEvery || f.Every > mostEvery {
		bad("fleet.every", "%v must be 1m to 24h", f.Every)
	}
	if f.MetricsURL != "" {
		if u, err := url.Parse(f.MetricsURL); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
			bad("fleet.metrics_url", "it is no URL without a password: write http://HOST:PORT/metrics")
		}
	}
}

// CheckHubURL reports what is wrong with where a boat reaches its hub.
func CheckHubURL(address string) error {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Scheme != "tls" && u.Scheme != "nats" || u.Hostname() == "" || u.Path != "" && u.Path != "/":
		return errors.New("it is no URL of a hub: write tls://HOST:PORT") // not quoted: it may hold a password
	case u.User != nil:
		return errors.New("it holds a name or a password: leave them out, credentials names the file with the boat's")
	case u.Scheme == "nats" && !Loopback(u.Hostname()):
		return fmt.Errorf("%q would be sent in the clear: write tls://%s", address, u.Host)
	}
	return nil
}

// locate makes the paths of files relative to dir.
func (f *Fleet) locate(dir string) {
	for _, p := range []*string{&f.Credentials, &f.CA} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(dir, *p)
		}
	}
}
