// Package config reads the config file.
package config

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // boat computers and other systems may have none

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/input"
)

// Config is the validated config file. Default is usable as it is, except that it names no source.
type Config struct {
	Boat             boat.Identity     `yaml:"-"`
	Sources          []Source          `yaml:"sources"`
	Listen           string            `yaml:"listen"`     // host:port of the pages and the API; "off" for none
	TokenFile        string            `yaml:"token_file"` // line 1: token to act; line 2, optional: token to read
	TLS              TLS               `yaml:"tls"`
	Proxies          List              `yaml:"proxies"`           // addresses or networks of proxies in front of the pages
	ManufacturerFile string            `yaml:"manufacturer_file"` // YAML mapping of manufacturer codes to names, added to the published list
	Checks           check.Settings    `yaml:"checks"`
	Alerts           alert.Settings    `yaml:"alerts"`
	Log              Log               `yaml:"log"`
	StateDir         string            `yaml:"state_dir"` // where what must survive a power cut is kept; empty for nowhere
	Store            Store             `yaml:"store"`
	Baseline         string            `yaml:"baseline"`    // snapshot file that the boat is compared with
	Sheets           string            `yaml:"sheets"`      // folder of release sheets
	Notes            string            `yaml:"notes"`       // file of devices that no network shows
	Layout           List              `yaml:"layout"`      // file of the plan of the backbone, or of one each of several
	Job              string            `yaml:"job"`         // job file that the service records of the proof page begin with
	TimeZone         string            `yaml:"time_zone"`   // of the boat, as in Europe/Lisbon; that of Job when empty, else UTC
	Accepted         []alert.Accepted  `yaml:"accepted"`    // known matters that the owner lives with
	SameAs           [][]string        `yaml:"same_as"`     // pairs of presences that are one unit, whatever they report
	NotSameAs        [][]string        `yaml:"not_same_as"` // pairs of presences that are two units, whatever they report
	Notify           []Target          `yaml:"notify"`
	Fleet            Fleet             `yaml:"fleet"`
	GNSSTime         bool              `yaml:"gnss_time"` // take satellite time from the networks while this computer's clock is not set
	Manufacturers    map[uint16]string `yaml:"-"`         // the content of ManufacturerFile
	Token            string            `yaml:"-"`         // first line of TokenFile: who shows it may act
	ReadToken        string            `yaml:"-"`         // second line of TokenFile, if any: who shows it may read

	Warnings []*input.Mistake `yaml:"-"` // old keys, which are still read

	BoatKeys boatKeys `yaml:"boat"`
}

// oldKeys are the keys of the config file and of notes that have a new name. They are read for one release, with a warning. So are the
// former ids of checks.
var oldKeys = append([]input.OldKey{
	{Path: "maker_file", New: "manufacturer_file"},
	{Path: "tell", New: "notify"},
	{Path: "notify.*.severity", New: "min_severity"},
	{Path: "devices.*.maker", New: "manufacturer"}, // of notes
}, formerChecks()...)

func formerChecks() (keys []input.OldKey) {
	for _, id := range check.FormerIDs() {
		keys = append(keys, input.OldKey{Path: "checks." + id, New: check.ID(id)})
	}
	return keys
}

type boatKeys struct {
	ID   string `yaml:"id"`
	Name string `yaml:"name"`
}

// Source is one place where traffic comes in.
type Source struct {
	Source string `yaml:"source"` // as on the command line: can0, serial:/dev/ttyACM0, 0183:/dev/ttyUSB0?baud=4800
	ID     string `yaml:"id"`     // the network's name in reports; the source's own name when empty
	Ask    bool   `yaml:"ask"`    // claim an address and ask the standard questions
}

// Store bounds what is kept in StateDir.
type Store struct {
	Every  time.Duration `yaml:"every"`   // changes that can wait are written this often
	MaxAge time.Duration `yaml:"max_age"` // of devices not received and messages not delivered
	MaxMB  int           `yaml:"max_mb"`  // of everything together
}

// Target is where alerts are sent: exactly one of Webhook and Alertmanager is set.
type Target struct {
	ID           string         `yaml:"id"`           // short name for logs and metrics; the kind and its number when empty
	Webhook      string         `yaml:"webhook"`      // URL that each change is posted to as JSON
	Alertmanager string         `yaml:"alertmanager"` // URL of an Alertmanager, without /api/v2
	TokenFile    string         `yaml:"token_file"`   // file whose first line is shown as bearer token
	MinSeverity  check.Severity `yaml:"min_severity"` // lowest severity that is sent; info when empty
	Token        string         `yaml:"-"`
}

// Key names the target in logs, metrics and the store.
func (t *Target) Key() string { return t.ID }

// TLS names the files of a certificate and its key; empty for plain HTTP.
type TLS struct {
	Cert     string `yaml:"cert"`
	Key      string `yaml:"key"`
	ClientCA string `yaml:"client_ca"` // authority that signed the certificates of clients; empty where they need none
}

// Log is what is logged and how.
type Log struct {
	Level  string `yaml:"level"`  // error, warn, info, debug or trace
	Format string `yaml:"format"` // text, json or auto: text on a terminal, otherwise json
}

// DefaultListen is the address of the pages unless the config overrides it.
const DefaultListen = "127.0.0.1:8632"

// Default is the config of an empty file.
func Default() Config {
	return Config{Listen: DefaultListen, GNSSTime: true, Checks: check.DefaultSettings(), Alerts: alert.DefaultSettings(), Log: Log{Level: "info", Format: "auto"},
		Store: Store{Every: time.Minute, MaxAge: 2 * 365 * 24 * time.Hour, MaxMB: 16}, Fleet: Fleet{Every: 15 * time.Minute}}
}

// Load reads and validates the file, and reads the manufacturer and token files that it names; their paths are relative to
// the config file. A mistake is an *input.Mistake, several are joined.
func Load(ctx context.Context, file string) (Config, error) {
	text, err := input.File(ctx, file, input.MaxYAML)
	if err != nil {
		return Config{}, outside("config", err)
	}
	c, err := Parse(ctx, file, text)
	if err != nil {
		return Config{}, err
	}
	dir := filepath.Dir(file)
	for _, p := range []*string{&c.ManufacturerFile, &c.TokenFile, &c.TLS.Cert, &c.TLS.Key, &c.TLS.ClientCA,
		&c.Baseline, &c.Sheets, &c.Notes, &c.Job} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(dir, *p)
		}
	}
	for i, p := range c.Layout {
		if !filepath.IsAbs(p) {
			c.Layout[i] = filepath.Join(dir, p)
		}
	}
	c.Fleet.locate(dir)
	if c.ManufacturerFile != "" {
		if c.Manufacturers, err = LoadManufacturers(ctx, c.ManufacturerFile); err != nil {
			return Config{}, err
		}
	}
	for i := range c.Notify {
		t := &c.Notify[i]
		if t.TokenFile == "" {
			continue
		}
		if !filepath.IsAbs(t.TokenFile) {
			t.TokenFile = filepath.Join(dir, t.TokenFile)
		}
		if t.Token, _, err = LoadTokens(ctx, t.TokenFile); err != nil {
			return Config{}, err
		}
	}
	if c.TokenFile != "" {
		if c.Token, c.ReadToken, err = LoadTokens(ctx, c.TokenFile); err != nil {
			return Config{}, err
		}
	}
	return c, nil
}

// Parse validates the text of a config file; name is what errors call it. It reads no other file.
func Parse(ctx context.Context, name string, text []byte) (Config, error) {
	c := Default()
	d, err := read(ctx, name, text, &c, "deploy/muster.yaml lists them all")
	if err != nil {
		return Config{}, err
	}
	c.Boat, c.Warnings = boat.Identity(c.BoatKeys), d.Warnings
	for i := range c.Accepted {
		a := &c.Accepted[i]
		if now := check.ID(a.Check); now != a.Check {
			c.Warnings = append(c.Warnings, d.Mistake(fmt.Sprintf("accepted.%d.check", i), "old id %q: write %q instead", a.Check, now))
			a.Check = now
		}
	}
	if err := c.validate(d); err != nil {
		return Config{}, err
	}
	return c, nil
}

// read reads a YAML file over what v already holds; known is where the valid keys are listed.
func read(ctx context.Context, name string, text []byte, v any, known string) (*input.Document, error) {
	d, err := input.YAML(ctx, name, text, v, oldKeys...)
	if m, ok := errors.AsType[*input.Mistake](err); ok && strings.HasPrefix(m.Text, "unknown key ") {
		m.Text += ": " + known
	}
	return d, err
}

// outside adds to an error which file could not be read, unless the mistake names it.
func outside(what string, err error) error {
	if m, ok := errors.AsType[*input.Mistake](err); ok {
		return m
	}
	return fmt.Errorf("%s: %w", what, err)
}

// settingMistakes places the errors of a Validate below section. Each starts with its key and a colon.
func settingMistakes(d *input.Document, section string, err error) []error {
	if err == nil {
		return nil
	}
	all := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		all = joined.Unwrap()
	}
	for i, e := range all {
		key, message, _ := strings.Cut(e.Error(), ": ")
		all[i] = d.Mistake(section+"."+key, "%s", message)
	}
	return all
}

// maxSources is the most sources of one boat computer: each is opened, and has its own model.
const maxSources = 64

var boatID = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

func (c *Config) validate(d *input.Document) error {
	var errs []error
	bad := func(key, format string, args ...any) {
		errs = append(errs, d.Mistake(key, format, args...))
	}

	if c.Boat.ID != "" && !boatID.MatchString(c.Boat.ID) {
		bad("boat.id", "%q must be up to 63 lower-case letters, digits and inner hyphens, such as wagtail-2", c.Boat.ID)
	}
	if strings.ContainsFunc(c.Boat.Name, func(r rune) bool { return r < ' ' }) {
		bad("boat.name", "%q holds a control character: write the name in one plain line", c.Boat.Name)
	}
	if _, err := time.LoadLocation(c.TimeZone); err != nil || c.TimeZone == "Local" {
		bad("time_zone", "%q is not known: write one such as Europe/Lisbon", c.TimeZone)
	}
	if n := len(c.Sources); n > maxSources {
		bad("sources", "%d sources are more than %d: run another muster for the others", n, maxSources)
		return input.Mistakes(errs...)
	}
	ids := map[string]int{}
	for i, s := range c.Sources {
		key := "sources." + strconv.Itoa(i)
		if strings.TrimSpace(s.Source) == "" {
			bad(key, "source is missing: give the source of traffic, such as source: can0")
			continue
		}
		id := cmp.Or(s.ID, s.Source)
		if first, dup := ids[id]; dup {
			bad(key, "%q is already the name of source %d: give each an id of its own", id, first+1)
		}
		ids[id] = i
		if strings.ContainsAny(s.ID, " \t\n/") {
			bad(key+".id", "%q must not hold spaces or slashes", s.ID)
		}
	}
	if err := CheckListen(c.Listen, c.TokenFile != "" || c.TLS.Cert != ""); err != nil {
		bad("listen", "%v", err)
	}
	if (c.TLS.Cert == "") != (c.TLS.Key == "") {
		bad("tls", "cert and key come together: give both or neither")
	}
	if c.TLS.ClientCA != "" && c.TLS.Cert == "" {
		bad("tls.client_ca", "clients show a certificate over TLS only: give cert and key")
	}
	if _, err := Networks(c.Proxies); err != nil {
		bad("proxies", "%v", err)
	}
	if !slices.Contains([]string{"error", "warn", "info", "debug", "trace"}, c.Log.Level) {
		bad("log.level", "%q is not one of error, warn, info, debug, trace", c.Log.Level)
	}
	if !slices.Contains([]string{"auto", "text", "json"}, c.Log.Format) {
		bad("log.format", "%q is not one of auto, text, json", c.Log.Format)
	}
	c.validateAccepted(bad)
	c.validateUnits(bad)
	c.validateNotify(bad)
	c.validateFleet(bad)
	if c.Store.Every < time.Second {
		bad("store.every", "%v is too short: it wears the card; give 1s or more", c.Store.Every)
	}
	if c.Store.MaxAge < 24*time.Hour {
		bad("store.max_age", "%v is too short: give 24h or more", c.Store.MaxAge)
	}
	if c.Store.MaxMB < 1 || c.Store.MaxMB > 1024 {
		bad("store.max_mb", "%d must be 1 to 1024", c.Store.MaxMB)
	}
	errs = append(errs, settingMistakes(d, "checks", c.Checks.Validate())...)
	errs = append(errs, settingMistakes(d, "alerts", c.Alerts.Validate())...)
	return input.Mistakes(errs...)
}

// CheckListen reports what is wrong with an address to listen on: host:port, or off. Without protection (a token or
// TLS) it must be this computer's own.
func CheckListen(address string, protected bool) error {
	if address == "off" {
		return nil
	}
	host, port, err := net.SplitHostPort(address)
	if n, perr := strconv.Atoi(port); err != nil || perr != nil || n < 0 || n > 65535 {
		return fmt.Errorf("%q is not host:port, such as %s: write off for no pages", address, DefaultListen)
	}
	if !protected && !Loopback(host) {
		return fmt.Errorf("%q can be reached from other computers: protect it with a token or TLS, or listen on %s", address, net.JoinHostPort("127.0.0.1", port))
	}
	return nil
}

// Networks reads addresses and networks, such as 10.0.0.1 and 10.0.0.0/8.
func Networks(texts []string) (list []netip.Prefix, err error) {
	for _, text := range texts {
		p, err := netip.ParsePrefix(text)
		if a, single := netip.ParseAddr(text); single == nil {
			p, err = netip.PrefixFrom(a, a.BitLen()), nil
		}
		if err != nil {
			return nil, fmt.Errorf("%q is neither an address nor a network: write 10.0.0.1 or 10.0.0.0/8", text)
		}
		list = append(list, p)
	}
	return list, nil
}

// Loopback reports whether the host of a listen address is this computer alone. A name counts only when it is localhost.
func Loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// LoadManufacturers reads a manufacturer file: a YAML mapping of manufacturer codes (0..2047) to names.
func LoadManufacturers(ctx context.Context, file string) (map[uint16]string, error) {
	text, err := input.File(ctx, file, input.MaxYAML)
	if err != nil {
		return nil, outside("config: manufacturer_file", err)
	}
	return ParseManufacturers(ctx, file, text)
}

// ParseManufacturers reads the text of a manufacturer file; name is what errors call it.
func ParseManufacturers(ctx context.Context, name string, text []byte) (map[uint16]string, error) {
	var names map[uint16]string
	d, err := input.YAML(ctx, name, text, &names)
	if err != nil {
		return nil, err
	}
	var errs []error
	for _, code := range slices.Sorted(maps.Keys(names)) {
		key := strconv.Itoa(int(code))
		if code > 2047 {
			errs = append(errs, d.Mistake(key, "a manufacturer code is 0 to 2047"))
		}
		if strings.TrimSpace(names[code]) == "" {
			errs = append(errs, d.Mistake(key, "the name is missing: write code: name"))
		}
	}
	return names, input.Mistakes(errs...)
}

// minToken is the least length of a token: shorter ones can be guessed.
const minToken = 16

// maxTokens is the most that a token file holds, in bytes.
const maxTokens = 64 << 10

// LoadTokens reads the token to act, and the one to read when there is a second line. A file that every user of this computer can read
// is refused.
func LoadTokens(ctx context.Context, file string) (act, read string, err error) {
	text, err := input.Secret(ctx, file, maxTokens)
	if err != nil {
		return "", "", outside("token file", err)
	}
	first, rest, _ := strings.Cut(string(text), "\n")
	second, _, _ := strings.Cut(rest, "\n")
	act, read = strings.TrimSpace(first), strings.TrimSpace(second)
	switch {
	case len(act) < minToken || read != "" && len(read) < minToken:
		return "", "", &input.Mistake{File: file, Text: fmt.Sprintf("each line must hold a token of at least %d characters: openssl rand -hex 16 makes one", minToken)}
	case act == read:
		return "", "", &input.Mistake{File: file, Text: "both lines hold the same token, so that who may only read could act: give two different ones, or one line"}
	}
	return act, read, nil
}
