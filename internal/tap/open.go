package tap

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Errors that a caller can distinguish. The error that Open returns holds in one line what, where and how to repair
// it.
var (
	ErrSpec        = errors.New("not a source")
	ErrNoInterface = errors.New("no such network interface")
	ErrNoTransmit  = errors.New("this source was opened to listen only: allow transmitting, with --ask, to send")
)

// wrong is the error of a source that is written wrongly, as opposed to one that fails: it is an ErrSpec, whatever
// its text.
type wrong struct{ error }

func (w wrong) Unwrap() error      { return w.error }
func (wrong) Is(target error) bool { return target == ErrSpec }

const specHelp = "use can0, socketcan:can0, serial:/dev/ttyACM0, udp:239.74.163.2:5000, 0183:/dev/ttyUSB0?baud=4800, 0183+tcp:host:port, 0183+tcp::port, 0183+udp::port, FILE, - or sim:SCENARIO"

// Open opens the source that spec names, written as everywhere on the command line. Live sources keep trying when they go away
// later, but must be there now unless opts.Later is set.
func Open(spec string, opts Options) (Source, error) {
	opts = opts.withDefaults()
	scheme, rest, found := strings.Cut(spec, ":")
	if found {
		switch scheme {
		case "socketcan":
			if rest == "" {
				return nil, wrong{fmt.Errorf("open %q: no interface is named: use for instance socketcan:can0", spec)}
			}
			return openSocketCAN(rest, opts)
		case "serial":
			return openSLCAN(rest, opts)
		case "udp":
			return openUDP(rest, opts)
		case "0183":
			return openSerialLine(rest, opts)
		case "0183+tcp":
			return openTCPLine(rest, opts)
		case "0183+udp":
			return openUDPLine(rest, opts)
		case "sim":
			return openSim(rest, opts)
		}
	}
	switch {
	case spec == "":
		return nil, fmt.Errorf("open source: the name is empty: %s", specHelp)
	case spec == "-":
		return openStdin(opts)
	}
	if _, err := os.Stat(spec); err == nil {
		return openFile(spec)
	} else if !looksLikeInterface(spec) {
		if found && !strings.ContainsAny(scheme, `/\.`) && len(scheme) > 1 {
			return nil, fmt.Errorf("open %q: %w: %s", spec, ErrSpec, specHelp)
		}
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("open %q: %w: give the path of a capture file, or %s", spec, os.ErrNotExist, specHelp)
		}
		return nil, fmt.Errorf("open %q: %w: check the path and its permissions", spec, plain(err))
	}
	return openSocketCAN(spec, opts)
}

// Backbone is the id that the NMEA 2000 network of a source will have, "" for a source that only has NMEA 0183. It is
// unknown, false, where only reading shows it: of captures, of standard input and of simulations.
func Backbone(spec string) (id string, known bool) {
	scheme, rest, found := strings.Cut(spec, ":")
	rest, _, _ = strings.Cut(rest, "?")
	switch {
	case strings.HasPrefix(spec, "0183"):
		return "", true
	case !found && looksLikeInterface(spec):
		if _, err := os.Stat(spec); err != nil {
			return spec, true
		}
	case !found:
	case scheme == "socketcan":
		return rest, true
	case scheme == "serial":
		return filepath.Base(rest), true
	case scheme == "udp":
		return "udp:" + rest, true
	}
	return "", false
}

// OpenSender opens a source that can also send; opts.Transmit must be set.
func OpenSender(spec string, opts Options) (interface {
	Source
	Sender
}, error) {
	if !opts.Transmit {
		return nil, fmt.Errorf("open %q: %w", spec, ErrNoTransmit)
	}
	src, err := Open(spec, opts)
	if err != nil {
		return nil, err
	}
	if both, ok := src.(interface {
		Source
		Sender
	}); ok {
		return both, nil
	}
	src.Close()
	return nil, fmt.Errorf("open %q: nothing can be sent there: use a CAN interface, a serial adapter or udp:GROUP:PORT", spec)
}

// looksLikeInterface reports whether a name could be that of a CAN interface: letters and then a number, as the kernel makes them.
func looksLikeInterface(name string) bool {
	if len(name) == 0 || len(name) > 15 { // IFNAMSIZ less its NUL
		return false
	}
	for _, c := range name {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '_' && c != '-' {
			return false
		}
	}
	c, last := name[0], name[len(name)-1]
	return (c|0x20 >= 'a' && c|0x20 <= 'z') && last >= '0' && last <= '9'
}

func openSim(name string, opts Options) (Source, error) {
	if opts.Sim == nil {
		return nil, fmt.Errorf("open %q: the simulator is not available here: give a capture file or an interface", "sim:"+name)
	}
	if name == "" {
		return nil, fmt.Errorf("open %q: no scenario is named: use sim:demo, sim:fifty, sim:saturated, sim:faults or sim:FILE", "sim:")
	}
	return opts.Sim(name)
}

// plain takes the operation and path off an error, which our own text names already.
func plain(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}
