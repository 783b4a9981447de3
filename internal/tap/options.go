package tap

import (
	"io"
	"time"

	"go.einride.tech/can"
)

// Sender puts frames on a network. It may be called from any goroutine.
type Sender interface {
	Send(frame can.Frame) error
}

// Asker is a source that puts the standard questions by itself once it may transmit, as NMEA 0183 lines of two ways do.
type Asker interface {
	Asks() bool
}

// Patient is a live source that may be left unread for seconds: its frames wait in the kernel, which counts exactly
// what it has no room for.
type Patient interface {
	Patient() bool
}

// Options are what Open needs besides the name of the source. The zero value listens and never transmits.
type Options struct {
	// Transmit allows sending: without it Send fails, and a serial adapter is opened so that it cannot even acknowledge.
	Transmit bool
	// Acknowledge lets a serial adapter that has no listen-only mode be opened normally; it then acknowledges the frames of others.
	Acknowledge bool
	// BitRate of the bus behind a serial adapter in bit/s; 0 is 250000, the rate of NMEA 2000.
	BitRate uint32
	// ReceiveBuffer is the size asked of the kernel for a live source's queue in bytes; 0 is 8 MiB. The kernel takes
	// twice that for its own account, of which a CAN frame costs 768 bytes (21,846 frames fitted on Linux 6.1): ten
	// seconds of a full bus during which a loaded computer may let muster wait. Without a privilege no more is
	// granted than net.core.rmem_max.
	ReceiveBuffer int
	// Gather is how long at most a CAN interface from which everything was read is left alone, so that frames come by
	// the batch and a full bus does not wake a small computer two thousand times a second. Their times are the
	// kernel's all the same. 0 is 100 ms; a source that transmits does not wait.
	Gather time.Duration
	// Retry is the pause before a live source that went away is tried again; 0 is 1 s.
	Retry time.Duration
	// Later opens a CAN interface, a serial port or a TCP address that is not there now, too: it is down until it is.
	Later bool
	// Stdin is what "-" reads; nil is the standard input.
	Stdin io.Reader
	// Sim opens "sim:SCENARIO"; nil means that there is no simulator.
	Sim func(scenario string) (Source, error)
	// Now stamps what the kernel does not; nil is time.Now.
	Now func() time.Time
}

func (o Options) withDefaults() Options {
	if o.BitRate == 0 {
		o.BitRate = 250_000
	}
	if o.ReceiveBuffer == 0 {
		o.ReceiveBuffer = 8 << 20
	}
	if o.Gather == 0 {
		o.Gather = 100 * time.Millisecond
	}
	if o.Transmit {
		o.Gather = 0
	}
	if o.Retry == 0 {
		o.Retry = time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}
