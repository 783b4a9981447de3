// Package sim puts simulated boats on a bus: devices, their messages and their faults, from scenario files.
package sim

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	"muster/internal/input"
	"muster/pgn"
)

// Scenario is one simulated boat and what happens on it. scenario.schema.json describes the file format.
type Scenario struct {
	Name     string        `yaml:"name"`
	Title    string        `yaml:"title"`
	Story    string        `yaml:"story"` // what a viewer should see happen
	Seed     uint64        `yaml:"seed"`
	Boat     Boat          `yaml:"boat"`
	Bus      string        `yaml:"bus"`      // id of the backbone; default "n2k"
	Load     float64       `yaml:"load"`     // share of the bus to keep in use, 0..0.99; 0 leaves it to the devices
	Generate int           `yaml:"generate"` // add made-up devices until there are this many
	Devices  []Device      `yaml:"devices"`
	Lines    []Line        `yaml:"lines"`
	Timeline []Action      `yaml:"timeline"`
	Repeat   time.Duration `yaml:"repeat"`   // the timeline begins again after this time; 0 never
	Duration time.Duration `yaml:"duration"` // the simulation ends after this time; 0 never
}

// Boat is where the boat starts.
type Boat struct {
	Name      string  `yaml:"name"`
	Latitude  float64 `yaml:"latitude"`  // degrees
	Longitude float64 `yaml:"longitude"` // degrees
	Variation float64 `yaml:"variation"` // degrees, positive east
	Moored    bool    `yaml:"moored"`    // at a quay with the engine off
}

// Device is one simulated device.
type Device struct {
	ID              string   `yaml:"id"`           // how the timeline names it
	Manufacturer    uint16   `yaml:"manufacturer"` // code
	Class           uint8    `yaml:"class"`
	Function        uint8    `yaml:"function"`
	Unique          *uint32  `yaml:"unique"` // left out, it is made up from the place in the file
	Instance        uint8    `yaml:"instance"`
	SystemInstance  uint8    `yaml:"system_instance"`
	Address         uint8    `yaml:"address"`
	FixedAddress    bool     `yaml:"fixed_address"` // cannot move to another address
	Model           string   `yaml:"model"`
	ModelVersion    string   `yaml:"model_version"`
	Serial          string   `yaml:"serial"`
	Software        string   `yaml:"software"`
	ProductCode     uint16   `yaml:"product_code"`     // 0 makes one up from the model
	DatabaseVersion uint16   `yaml:"database_version"` // thousandths; 0 is 2100
	Certification   uint8    `yaml:"certification"`
	LoadEquivalency uint8    `yaml:"load_equivalency"`
	Installation    []string `yaml:"installation"` // one or two descriptions
	Information     string   `yaml:"information"`  // manufacturer information
	Sends           []Send   `yaml:"sends"`
	Receives        []uint32 `yaml:"receives"`
	NoHeartbeat     bool     `yaml:"no_heartbeat"`
	Commandable     bool     `yaml:"commandable"`
	Ignores         []uint32 `yaml:"ignores"`      // requests for these get no answer at all
	HalfProduct     bool     `yaml:"half_product"` // breaks off product information half way
	Stubborn        bool     `yaml:"stubborn"`     // never gives up its address
	Deaf            bool     `yaml:"deaf"`         // goes on sending from an address that it lost
	Unclaimed       bool     `yaml:"unclaimed"`    // sends from its address without a claim for it
	Asks            bool     `yaml:"asks"`         // asks every device for its identity, as a display does
	Absent          bool     `yaml:"absent"`       // not switched on until the timeline does it
}

// Send is one message that a device sends.
type Send struct {
	PGN      uint32        `yaml:"pgn"`
	Every    time.Duration `yaml:"every"` // 0 is the usual interval
	Instance uint8         `yaml:"instance"`
	Variant  uint8         `yaml:"variant"` // fluid type, temperature source, wind reference, DC type
	Offset   float64       `yaml:"offset"`  // added to the value, in its own unit
	Length   int           `yaml:"length"`  // of a proprietary fast packet, bytes
	Empty    bool          `yaml:"empty"`   // carries no value
}

// Line is one NMEA 0183 line.
type Line struct {
	ID        string     `yaml:"id"`
	Baud      uint32     `yaml:"baud"` // 0 is 4800
	Sentences []Sentence `yaml:"sentences"`
}

// Sentence is one sentence on a line.
type Sentence struct {
	Talker    string        `yaml:"talker"`
	Formatter string        `yaml:"formatter"`
	Every     time.Duration `yaml:"every"` // 0 is 1 s
}

// Action is one thing that happens.
type Action struct {
	At       time.Duration `yaml:"at"`
	Do       string        `yaml:"do"`
	Device   string        `yaml:"device"`
	Line     string        `yaml:"line"`
	For      time.Duration `yaml:"for"`   // 0 is for good, where that makes sense
	Every    time.Duration `yaml:"every"` // restart-loop: time between restarts
	Software string        `yaml:"software"`
	Defaults bool          `yaml:"factory_defaults"` // update: instances and texts are lost
	Instance uint8         `yaml:"instance"`
	Address  uint8         `yaml:"address"` // fight: the address it takes; duplicate-name: the address of the second device
	PGN      uint32        `yaml:"pgn"`
	From     string        `yaml:"from"`     // echo: whose message is repeated
	Quantity string        `yaml:"quantity"` // wrong-data: what is wrong
	Add      float64       `yaml:"add"`      // wrong-data: by how much, in degrees, metres, knots, volts or kelvins
	Rate     float64       `yaml:"rate"`     // error-frames: per second
	Share    float64       `yaml:"share"`    // corrupt, drop-frames, bad-checksums, garbled-lines: 0..1; load, flood: of the bus
	Volts    float64       `yaml:"volts"`    // sag: taken from the battery voltage
	See      string        `yaml:"see"`      // what a viewer sees, for the help
	Baud     uint32        `yaml:"baud"`     // wrong-baud: at which the talkers send while the port is read at the line's own
}

// verbs are the things an Action can do and what each needs.
var verbs = map[string]struct {
	device, line, duration bool
}{
	"off":            {device: true},
	"on":             {device: true},
	"power-cycle":    {device: true, duration: true},
	"silence":        {device: true, duration: true},
	"update":         {device: true, duration: true},
	"instance":       {device: true},
	"forget":         {device: true},
	"fight":          {device: true},
	"duplicate-name": {device: true},
	"restart-loop":   {device: true},
	"reenter":        {device: true},
	"restore":        {device: true, duration: true},
	"wrong-data":     {device: true},
	"empty-data":     {device: true},
	"echo":           {device: true},
	"corrupt":        {device: true},
	"flood":          {device: true},
	"half-product":   {device: true},
	"ignore":         {device: true},
	"error-frames":   {duration: true},
	"drop-frames":    {duration: true},
	"sag":            {duration: true},
	"load":           {},
	"bad-checksums":  {line: true, duration: true},
	"garbled-lines":  {line: true, duration: true},
	"line-silence":   {line: true, duration: true},
	"wrong-baud":     {line: true},
}

//go:embed scenarios/*.yaml
var builtin embed.FS

// Names lists the built-in scenarios, sorted.
func Names() []string {
	entries, _ := fs.ReadDir(builtin, "scenarios")
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

//go:embed layouts/*.yaml
var layouts embed.FS

// Layout is the plan of the backbone of the boat in a built-in scenario, as a layout file; nil for a scenario without one.
func Layout(name string) []byte {
	text, _ := layouts.ReadFile(path.Join("layouts", name+".yaml"))
	return text
}

//go:embed sheets/*/*.yaml
var sheets embed.FS

// Sheets is the folder of release sheets for the boat in a built-in scenario; nil for a scenario without one.
func Sheets(name string) fs.FS {
	folder := path.Join("sheets", name)
	if _, err := fs.Stat(sheets, folder); err != nil {
		return nil
	}
	sub, _ := fs.Sub(sheets, folder) // fails on a name that is not valid only
	return sub
}

// Steps lists what a viewer sees happen, one line each: the minute and second of the scenario at which it does, and what it is.
func (sc *Scenario) Steps() []string {
	var steps []string
	for i := range sc.Timeline {
		if a := &sc.Timeline[i]; a.See != "" {
			steps = append(steps, fmt.Sprintf("%d:%02d  %s", int(a.At.Minutes()), int(a.At.Seconds())%60, a.See))
		}
	}
	return steps
}

// Load reads a scenario: the built-in one of that name, or else the file.
func Load(ctx context.Context, name string) (*Scenario, error) {
	if !strings.ContainsAny(name, `/\.`) {
		if src, err := builtin.ReadFile(path.Join("scenarios", name+".yaml")); err == nil {
			return Parse(ctx, name, src)
		}
	}
	src, err := input.File(ctx, name, input.MaxYAML)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("scenario %q: no such file and no built-in scenario of that name; built in are %s", name, strings.Join(Names(), ", "))
	}
	if err != nil {
		return nil, fmt.Errorf("scenario %q: %w", name, err)
	}
	return Parse(ctx, name, src)
}

// oldKeys are keys of a scenario that have a new name.
var oldKeys = []input.OldKey{{Path: "devices.*.maker", New: "manufacturer"}}

// Parse reads a scenario from YAML. A mistake in it is an *input.Mistake.
func Parse(ctx context.Context, name string, src []byte) (*Scenario, error) {
	sc := new(Scenario)
	d, err := input.YAML(ctx, name, src, sc, oldKeys...)
	if err != nil {
		return nil, fmt.Errorf("scenario %w", err)
	}
	if sc.Name == "" {
		sc.Name = strings.TrimSuffix(path.Base(name), ".yaml")
	}
	if problem := sc.complete(); problem != nil {
		m := d.Mistake(problem.path, "%s", problem.text)
		m.Key = ""
		return nil, fmt.Errorf("scenario %w", m)
	}
	return sc, nil
}

// problem is something wrong at a key.
type problem struct{ path, text string }

// Bounds on what a scenario may ask for.
const (
	maxDevices  = 252 // addresses on a backbone
	maxSends    = 64
	maxLines    = 16
	maxTimeline = 2000
	minEvery    = 5 * time.Millisecond
)

// complete checks a scenario and fills in what may be left out.
func (sc *Scenario) complete() *problem {
	if sc.Bus == "" {
		sc.Bus = "n2k"
	}
	if sc.Boat == (Boat{}) {
		sc.Boat = Boat{Latitude: 50.05, Longitude: -4.9, Variation: -2}
	}
	switch {
	case sc.Boat.Latitude < -80 || sc.Boat.Latitude > 80:
		return &problem{"boat.latitude", "latitude must be within 80 degrees of the equator"}
	case sc.Boat.Longitude < -180 || sc.Boat.Longitude > 180:
		return &problem{"boat.longitude", "longitude must be between -180 and 180 degrees"}
	case sc.Boat.Variation < -180 || sc.Boat.Variation > 180:
		return &problem{"boat.variation", "variation must be between -180 and 180 degrees"}
	case sc.Load < 0 || sc.Load > 0.99:
		return &problem{"load", "load must be between 0 and 0.99"}
	case sc.Generate < 0 || sc.Generate > maxDevices || len(sc.Devices) > maxDevices:
		return &problem{"generate", fmt.Sprintf("a backbone has addresses for %d devices at most", maxDevices)}
	case len(sc.Lines) > maxLines:
		return &problem{"lines", fmt.Sprintf("at most %d lines", maxLines)}
	case len(sc.Timeline) > maxTimeline:
		return &problem{"timeline", fmt.Sprintf("at most %d entries", maxTimeline)}
	case sc.Repeat < 0 || sc.Repeat > 0 && sc.Repeat < time.Second:
		return &problem{"repeat", "repeat must be at least 1s"}
	case sc.Duration < 0:
		return &problem{"duration", "duration must not be negative"}
	}
	sc.generate()
	devices, names := map[string]bool{}, map[pgn.NAME]string{}
	for i := range sc.Devices {
		d, at := &sc.Devices[i], fmt.Sprintf("devices[%d]", i)
		if p := d.complete(i, at); p != nil {
			return p
		}
		if devices[d.ID] {
			return &problem{at + ".id", fmt.Sprintf("a second device %q; ids must differ", d.ID)}
		}
		devices[d.ID] = true
		if other := names[d.NAME()]; other != "" {
			return &problem{at + ".unique", fmt.Sprintf("%q has the NAME of %q; give it another unique number, or use the action duplicate-name", d.ID, other)}
		}
		names[d.NAME()] = d.ID
	}
	lines := map[string]bool{}
	for i := range sc.Lines {
		l, at := &sc.Lines[i], fmt.Sprintf("lines[%d]", i)
		if p := l.complete(at); p != nil {
			return p
		}
		if lines[l.ID] || l.ID == sc.Bus {
			return &problem{at + ".id", fmt.Sprintf("a second network %q; ids must differ", l.ID)}
		}
		lines[l.ID] = true
	}
	for i := range sc.Timeline {
		if p := sc.Timeline[i].complete(fmt.Sprintf("timeline[%d]", i), devices, lines); p != nil {
			return p
		}
	}
	return nil
}

func (d *Device) complete(i int, at string) *problem {
	if d.Unique == nil {
		n := uint32(1000 + i)
		d.Unique = &n
	}
	if d.DatabaseVersion == 0 {
		d.DatabaseVersion = 2100
	}
	if d.ProductCode == 0 && d.Model != "" {
		h := fnv.New32a()
		h.Write([]byte(d.Model))
		d.ProductCode = uint16(1 + h.Sum32()%60_000)
	}
	if d.LoadEquivalency == 0 {
		d.LoadEquivalency = 1
	}
	switch {
	case d.ID == "":
		return &problem{at, "a device needs an id"}
	case d.Manufacturer == 0 || d.Manufacturer > 2047:
		return &problem{at + ".manufacturer", "manufacturer must be a code from 1 to 2047"}
	case d.Class > 127:
		return &problem{at + ".class", "class must be at most 127"}
	case *d.Unique > 1<<21-1:
		return &problem{at + ".unique", "unique must be at most 2097151"}
	case d.SystemInstance > 15:
		return &problem{at + ".system_instance", "system_instance must be at most 15"}
	case d.Address > pgn.MaxAddr:
		return &problem{at + ".address", fmt.Sprintf("address must be at most %d", pgn.MaxAddr)}
	case len(d.Installation) > 2:
		return &problem{at + ".installation", "a device has two installation descriptions at most"}
	case len(d.Sends) > maxSends:
		return &problem{at + ".sends", fmt.Sprintf("a device sends %d messages at most", maxSends)}
	}
	for _, t := range []struct{ key, text string }{{"model", d.Model}, {"model_version", d.ModelVersion}, {"serial", d.Serial}, {"software", d.Software}} {
		if len(t.text) > 32 {
			return &problem{at + "." + t.key, t.key + " holds 32 bytes at most"}
		}
	}
	for j := range d.Sends {
		s, at := &d.Sends[j], fmt.Sprintf("%s.sends[%d]", at, j)
		k, ok := findKind(s.PGN)
		switch {
		case !ok:
			return &problem{at + ".pgn", fmt.Sprintf("the simulator cannot send PGN %d; it sends %s and the proprietary ranges 65280-65535 and 130816-131071", s.PGN, knownPGNs())}
		case s.Every == 0:
			s.Every = k.every
		case s.Every < minEvery || s.Every > 24*time.Hour:
			return &problem{at + ".every", fmt.Sprintf("every must be between %v and 24h", minEvery)}
		}
		if s.Length < 0 || s.Length > 223 {
			return &problem{at + ".length", "length must be at most 223"}
		}
	}
	return nil
}

// NAME is the device's NAME.
func (d *Device) NAME() pgn.NAME {
	return pgn.NameFields{
		UniqueNumber: *d.Unique, Manufacturer: d.Manufacturer, DeviceInstance: d.Instance, DeviceFunction: d.Function, DeviceClass: d.Class,
		SystemInstance: d.SystemInstance, IndustryGroup: 4, ArbitraryAddress: !d.FixedAddress,
	}.NAME()
}

func (l *Line) complete(at string) *problem {
	if l.Baud == 0 {
		l.Baud = 4800
	}
	if l.ID == "" {
		return &problem{at, "a line needs an id"}
	}
	if l.Baud < 300 || l.Baud > 921600 {
		return &problem{at + ".baud", "baud must be between 300 and 921600"}
	}
	for i := range l.Sentences {
		s, at := &l.Sentences[i], fmt.Sprintf("%s.sentences[%d]", at, i)
		if s.Every == 0 {
			s.Every = time.Second
		}
		switch {
		case len(s.Talker) != 2:
			return &problem{at + ".talker", fmt.Sprintf("talker %q must be two letters", s.Talker)}
		case !slices.Contains(formatters(), s.Formatter):
			return &problem{at + ".formatter", fmt.Sprintf("the simulator cannot write %q; it writes %s", s.Formatter, strings.Join(formatters(), " "))}
		case s.Every < minEvery || s.Every > 24*time.Hour:
			return &problem{at + ".every", fmt.Sprintf("every must be between %v and 24h", minEvery)}
		}
	}
	return nil
}

func (a *Action) complete(at string, devices, lines map[string]bool) *problem {
	if a.Do == "twin" { // its former name
		a.Do = "duplicate-name"
	}
	v, ok := verbs[a.Do]
	switch {
	case !ok:
		return &problem{at + ".do", fmt.Sprintf("cannot do %q; can do %s", a.Do, knownVerbs())}
	case a.At < 0:
		return &problem{at + ".at", "at must not be negative"}
	case v.device && !devices[a.Device]:
		return &problem{at + ".device", fmt.Sprintf("%s: no device %q in this scenario", a.Do, a.Device)}
	case v.line && !lines[a.Line]:
		return &problem{at + ".line", fmt.Sprintf("%s: no line %q in this scenario", a.Do, a.Line)}
	case a.Do == "echo" && !devices[a.From]:
		return &problem{at + ".from", fmt.Sprintf("echo: no device %q in this scenario", a.From)}
	case v.duration && a.For <= 0 || a.For < 0:
		return &problem{at + ".for", a.Do + " needs a time in for, such as 30s"}
	case a.Do == "restart-loop" && a.Every < 5*time.Second:
		return &problem{at + ".every", "restart-loop needs at least 5s in every"}
	case a.Do == "wrong-data" && skews[a.Quantity] == nil:
		return &problem{at + ".quantity", fmt.Sprintf("wrong-data: no quantity %q; there are %s", a.Quantity, knownQuantities())}
	case (a.Do == "corrupt" || a.Do == "drop-frames" || a.Do == "bad-checksums" || a.Do == "garbled-lines") && (a.Share <= 0 || a.Share > 1):
		return &problem{at + ".share", a.Do + " needs a share between 0 and 1"}
	case a.Do == "flood" && (a.Share <= 0 || a.Share > 0.99):
		return &problem{at + ".share", "flood needs a share of the bus between 0 and 0.99"}
	case a.Do == "load" && (a.Share < 0 || a.Share > 0.99):
		return &problem{at + ".share", "load needs a share between 0 and 0.99"}
	case a.Do == "error-frames" && (a.Rate <= 0 || a.Rate > 1000):
		return &problem{at + ".rate", "error-frames needs a rate between 0 and 1000 a second"}
	case a.Do == "sag" && (a.Volts <= 0 || a.Volts > 10):
		return &problem{at + ".volts", "sag needs volts between 0 and 10"}
	case a.Do == "wrong-baud" && (a.Baud < 300 || a.Baud > 921600):
		return &problem{at + ".baud", "wrong-baud needs a baud between 300 and 921600, the rate at which the talkers send"}
	case a.Address > pgn.MaxAddr:
		return &problem{at + ".address", fmt.Sprintf("address must be at most %d", pgn.MaxAddr)}
	}
	return nil
}
