package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/event"
)

type captureCmd struct {
	Source   string
	Output   string
	MaxSize  int64
	MaxFiles int
	For      time.Duration
	Force    bool
}

func newCapture(a *app) *cobra.Command {
	c := captureCmd{}
	cmd := &cobra.Command{
		Use: "capture SOURCE -o FILE", Short: "Record the raw traffic of a source in files",
		Long: "Record the raw traffic of a source until --for or Ctrl-C. Nothing is sent.",
		Example: `  muster capture can0 -o quay.log
  muster capture can0 -o sea.pcapng.zst --max-size 50MB --max-files 20
  muster capture '0183:/dev/ttyUSB0?baud=4800' -o wind.nmea --for 10m`,
		Args: cobra.ExactArgs(1), ValidArgsFunction: sources,
		RunE: func(_ *cobra.Command, args []string) error { c.Source = args[0]; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVarP(&c.Output, "output", "o", "",
		"Output `FILE`; its extension sets the format: .log or .candump, .pcapng, .pcap; for NMEA 0183 .nmea, .0183 or .txt. Add .gz or .zst to compress")
	f.Var((*byteSize)(&c.MaxSize), "max-size", "Start a new numbered file at this `SIZE`, such as 100MB")
	f.IntVar(&c.MaxFiles, "max-files", 0, "Keep the latest `N` files; needs --max-size")
	f.DurationVar(&c.For, "for", 0, "Stop after this `TIME`, such as 10m; of a capture, copy this much of it")
	f.BoolVar(&c.Force, "force", false, "Overwrite existing files")
	cli.Require(cmd, "output")
	return cmd
}

// byteSize is a flag that takes a number of bytes, written as 500kB, 100MB or 1GiB.
type byteSize int64

func (b *byteSize) String() string { return "" } // no default
func (b *byteSize) Type() string   { return "size" }

func (b *byteSize) Set(text string) error {
	in := strings.TrimSpace(text)
	digits := strings.TrimRight(in, "kKMGiB ")
	unit := strings.TrimSpace(strings.TrimPrefix(in, digits))
	factors := map[string]float64{"": 1, "B": 1, "kB": 1e3, "KB": 1e3, "MB": 1e6, "GB": 1e9, "KiB": 1 << 10,
		"MiB": 1 << 20, "GiB": 1 << 30}
	n, err := strconv.ParseFloat(digits, 64)
	factor, known := factors[unit]
	if err != nil || !known || !(n > 0) || n*factor > math.MaxInt64/2 {
		return errors.New("it is not a size. Example: 500kB, 100MB or 1GiB")
	}
	*b = byteSize(n * factor)
	return nil
}

const leastFile = 4096 // bytes: smaller files would hold little but their displays

// run keeps the traffic until interrupted.
func (c *captureCmd) run(a *app) (err error) {
	switch {
	case c.MaxFiles < 0:
		return fmt.Errorf("--max-files %d: keep 1 or more", c.MaxFiles)
	case c.MaxFiles > 0 && c.MaxSize == 0:
		return errors.New("--max-files needs --max-size, the size at which a new file begins")
	case c.MaxSize > 0 && c.MaxSize < leastFile:
		return fmt.Errorf("--max-size %d: files of less than %d bytes hold nothing", c.MaxSize, leastFile)
	case c.For < 0:
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	}
	if _, _, err := captureFormat(c.Output); err != nil {
		return err
	}
	out := &rotation{name: c.Output, maxSize: c.MaxSize, maxFiles: c.MaxFiles, force: c.Force}
	src, err := a.opener(true)(c.Source, false)
	if err != nil {
		return daemon.NewSourceError(c.Source, err)
	}
	defer src.Close()
	if err := out.open(); err != nil {
		return err
	}
	ctx, cancel := a.ctx, context.CancelFunc(func() {})
	var in eventReader = src
	switch {
	case c.For > 0 && isFile(c.Source):
		in = &span{eventReader: src, length: c.For}
	case c.For > 0:
		ctx, cancel = context.WithTimeout(ctx, c.For)
	}
	defer cancel()
	stop := context.AfterFunc(ctx, func() { src.Close() })
	defer stop()
	err = keep(ctx, in, out, c.Source)
	if err == nil && out.events == 0 {
		err = &daemon.SourceError{Source: c.Source, Err: cli.WithHint(
			fmt.Errorf("nothing was received on %s, so %s was not written", c.Source, c.Output),
			"check that the boat's electronics are on, the connector, and the bit rate")}
	}
	return out.finish(a.stderr, err)
}

type eventReader interface {
	Read([]event.Event) (int, error)
}

// span reads so much of a capture, by its own time.
type span struct {
	eventReader
	length time.Duration
	end    event.Time
}

func (s *span) Read(events []event.Event) (int, error) {
	n, err := s.eventReader.Read(events)
	for i := range events[:n] {
		switch t := events[i].Time; {
		case t == 0:
		case s.end == 0:
			s.end = t.Add(s.length)
		case t >= s.end:
			return i, io.EOF
		}
	}
	return n, err
}

// keep copies events until the source ends or ctx does. What was read is at most a second or so from the file.
func keep(ctx context.Context, src eventReader, out *rotation, name string) error {
	events := make([]event.Event, 256)
	synced := time.Now()
	for {
		n, err := src.Read(events)
		for i := range events[:n] {
			if werr := out.Write(&events[i]); werr != nil {
				return werr
			}
		}
		if now := time.Now(); now.Sub(synced) >= time.Second {
			synced = now
			if serr := out.file.sync(); serr != nil {
				return serr
			}
		}
		switch {
		case errors.Is(err, io.EOF), err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			return daemon.NewSourceError(name, err)
		}
	}
}
