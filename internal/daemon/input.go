package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync/atomic"

	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/tap"
)

// batchEvents is how many events a reader takes at once.
const batchEvents = 256

// input is one source and what its reader counts.
type input struct {
	config   config.Source
	spec     string // as the config writes it
	name     string // what logs and metrics call it
	id       string // from the config; names the source's networks
	src      tap.Source
	recorded bool
	patient  bool // what is not read waits, and what is lost there is counted
	queue    queue
	ask      *asking            // nil for a source that is only listened to
	ctx      context.Context    // of its goroutines
	stop     context.CancelFunc // ends it

	// These belong to the model's goroutine.
	numbers []uint16          // the boat's network number for each of the source's own
	ids     []string          // of those networks, as far as they were introduced
	given   map[string]string // those names by the source's own
	over    bool              // it ended
	failed  error             // why it ended
	joined  bool              // begun by a reload, or not there at the start
	gone    bool              // taken off by a reload

	up       atomic.Bool
	ended    atomic.Bool
	frames   atomic.Uint64
	dropped  atomic.Uint64 // events that the model had no time for
	lastSeen atomic.Int64  // event time
}

// mayCome reports whether a source that is not there at the start may come later: an adapter that is pulled out or a gateway that is
// switched off must not keep the other networks from being watched.
func (d *Daemon) mayCome(s config.Source, err error) bool {
	failed, ok := errors.AsType[*SourceError](err)
	return ok && !failed.BadInput && d.opt.Later != nil && len(d.opt.Config.Sources) > 1
}

func (d *Daemon) openInput(s config.Source, open func(spec string, transmit bool) (tap.Source, error)) (*input, error) {
	src, err := open(s.Source, s.Ask)
	if err != nil {
		return nil, NewSourceError(s.Source, err)
	}
	in := &input{config: s, spec: s.Source, name: cmp.Or(s.ID, s.Source), id: s.ID, src: src, queue: newQueue()}
	in.ctx, in.stop = context.WithCancel(context.Background())
	if f, ok := src.(tap.Recorded); ok {
		in.src, in.recorded = tap.BySatellites(f), true
	}
	if p, ok := src.(tap.Patient); ok {
		in.patient = p.Patient()
	}
	if s.Ask {
		if in.ask, err = newAsking(in, d.opt.Version); err != nil {
			_ = in.close()
			return nil, err
		}
	}
	return in, nil
}

// inputs are the sources being read. The slice is not to be changed.
func (d *Daemon) inputs() []*input {
	if list := d.sources.Load(); list != nil {
		return *list
	}
	return nil
}

// startInput begins to read the source. Runs on the model's goroutine, or before that does.
func (d *Daemon) startInput(in *input) {
	context.AfterFunc(d.running, in.stop)
	d.readers.Go(func() { d.read(in.ctx, in) })
	if in.ask != nil {
		d.readers.Go(func() { d.send(in.ctx, in) })
	}
}

// close ends the reading of the source, whose goroutines then end.
func (in *input) close() error {
	in.stop()
	if err := in.src.Close(); err != nil {
		return fmt.Errorf("close %s: %w", in.name, err)
	}
	return nil
}

// read moves the source's events to the model until the source ends or is closed.
func (d *Daemon) read(ctx context.Context, in *input) {
	buf := make([]event.Event, batchEvents)
	in.up.Store(true)
	for {
		n, err := in.src.Read(buf)
		d.count(in, buf[:n])
		if !d.hand(ctx, in, buf[:n], err != nil) {
			return
		}
		if err == nil {
			continue
		}
		if errors.Is(err, io.EOF) || ctx.Err() != nil {
			err = nil
		} else {
			in.up.Store(false)
			d.log.Error().Err(err).Str("source", in.name).Msg("source failed")
		}
		in.ended.Store(true)
		if in.queue.end(err) {
			d.tell(ctx, in)
		}
		return
	}
}

// hand puts events where the model finds them. It waits for room where nothing is lost by that, and for the last events of a source;
// false when ctx ended meanwhile.
func (d *Daemon) hand(ctx context.Context, in *input, events []event.Event, last bool) bool {
	if len(events) == 0 {
		return true
	}
	wait := in.recorded || in.patient || last || vital(events)
	for {
		first, full := in.queue.put(events, wait)
		switch {
		case full && !wait:
			in.dropped.Add(uint64(len(events)))
			return true
		case first:
			return d.tell(ctx, in)
		case !full:
			return true
		}
		select {
		case <-in.queue.room:
		case <-ctx.Done():
			return false
		}
	}
}

// tell lets the model know that something of the source waits; false when ctx ended first.
func (d *Daemon) tell(ctx context.Context, in *input) bool {
	select {
	case d.ready <- in:
		return true
	case <-ctx.Done():
		return false
	}
}

// count counts what the source read, and tells once when it goes away and once when it is back.
func (d *Daemon) count(in *input, events []event.Event) {
	n := uint64(0)
	for i := range events {
		switch e := &events[i]; e.Kind {
		case event.KindFrame, event.KindLine:
			n++
		case event.KindDown:
			if in.up.Swap(false) {
				d.log.Warn().Str("source", in.name).Bytes("cause", e.Line).Msg("source went away: look at its plug and cable, and whether its interface is up; it is taken up again when it is back, and the others are read meanwhile")
			}
		case event.KindUp:
			if !in.up.Swap(true) {
				d.log.Info().Str("source", in.name).Msg("source is back")
			}
		}
	}
	in.frames.Add(n)
	if len(events) > 0 {
		if t := events[len(events)-1].Time; t != 0 {
			in.lastSeen.Store(int64(t))
		}
	}
}

// feed gives events to the model, in their order, under the boat's own network numbers. An error ends the daemon.
func (d *Daemon) feed(in *input, events []event.Event) error {
	for i := range events {
		e := &events[i]
		local := int(e.Network)
		if local < len(in.numbers) {
			e.Network = in.numbers[local]
		} else {
			e.Network = d.number(in, local)
		}
		if e.Kind == event.KindNetwork && e.Info != nil {
			d.introduce(in, local, e)
		}
		if in.ask != nil {
			if err := d.hear(in, local, e); err != nil {
				return err
			}
		}
	}
	d.watch.Feed(events...)
	if !d.opt.replay || d.opt.OnReport != nil { // somebody may ask for the conditions
		for i := range events {
			d.gauge.Feed(&events[i])
		}
	}
	return nil
}

// number is the boat's number of a source's network; the boat knows none of those above the bound.
func (d *Daemon) number(in *input, local int) uint16 {
	if local >= maxNetworks {
		return math.MaxUint16
	}
	for len(in.numbers) <= local {
		in.numbers = append(in.numbers, d.nextNetwork())
	}
	return in.numbers[local]
}

// introduce puts the boat's name into the introduction of a network.
func (d *Daemon) introduce(in *input, local int, e *event.Event) {
	info := *e.Info
	info.ID = d.networkID(in, local, info.ID)
	e.Info = &info
	if slices.Contains(in.ids, info.ID) {
		return
	}
	in.ids = append(in.ids, info.ID)
	if info.Queue > 0 {
		d.log.Debug().Str("network", info.ID).Int("bytes", info.Queue).
			Msg("the kernel lets only this much wait to be read, so a busy moment may lose frames: raise net.core.rmem_max")
	}
}

// hear lets our presence on the source hear an event.
func (d *Daemon) hear(in *input, local int, e *event.Event) error {
	err := in.ask.hear(local, e, e.Time.Add(-d.time.moved))
	switch {
	case err == nil:
	case in.joined:
		in.ask.off = true
		d.log.Error().Err(err).Str("source", in.name).Msg("nothing is asked there")
	default:
		return fmt.Errorf("ask on %s: %w", in.name, err)
	}
	return nil
}

// maxNetworks bounds how many networks one source can bring.
const maxNetworks = 32

// nextNetwork is the boat's next free network number.
func (d *Daemon) nextNetwork() uint16 {
	n := uint16(0)
	for slices.ContainsFunc(d.inputs(), func(in *input) bool { return slices.Contains(in.numbers, n) }) {
		n++
	}
	return n
}

// networkID is the config's name for the network: the source's id, numbered from its second network on; without one the
// name that the source gives, followed by the source's place among the sources where another's network has it.
func (d *Daemon) networkID(in *input, local int, own string) string {
	if in.id != "" {
		if local == 0 {
			return in.id
		}
		return fmt.Sprintf("%s-%d", in.id, local+1)
	}
	if id, ok := in.given[own]; ok {
		return id // told anew, as when a line's rate was found
	}
	all := d.inputs()
	place := slices.Index(all, in)
	taken := func(id string) bool {
		// A source that comes earlier and is called so by the config will have that name, though it was not heard yet.
		return slices.ContainsFunc(all[:place], func(o *input) bool { return o.id == "" && o.name == id }) ||
			slices.ContainsFunc(all, func(o *input) bool { return o != in && (o.id == id || slices.Contains(o.ids, id)) })
	}
	id := own
	for n := place + 1; taken(id); n++ {
		id = fmt.Sprintf("%s-%d", own, n)
	}
	if in.given == nil {
		in.given = map[string]string{}
	}
	in.given[own] = id
	return id
}
