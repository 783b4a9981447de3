package daemon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/config"
	"muster/internal/event"
)

// sources are where traffic comes in, each with a goroutine that reads and one that sends, which wait awaits. Their
// list, and the numbers and names of networks, are changed by the model's goroutine, or before that runs.
type sources struct {
	log     zerolog.Logger
	open    opener
	version string
	list    atomic.Pointer[[]*input]
	ready   chan *input     // of which something waits, each once; whoever reads there waits for room
	running context.Context // ends those who read and send
	tasks   sync.WaitGroup
}

func newSources(open opener, version string, log zerolog.Logger) *sources {
	return &sources{log: log, open: open, version: version, ready: make(chan *input, 64)}
}

// openAll opens the sources of the start. One of several that is not there may come later: an adapter that is pulled
// out or a gateway that is switched off must not keep the other networks from being watched. The caller closes what
// was opened, whatever is returned.
func (s *sources) openAll(list []config.Source, later opener) error {
	if len(list) == 0 {
		return errNoSource
	}
	var missing []error
	for _, c := range list {
		in, err := openInput(c, s.version, s.open)
		failed, ok := errors.AsType[*SourceError](err)
		late := ok && !failed.BadInput && later != nil && len(list) > 1
		if late {
			missing = append(missing, err)
			in, err = openInput(c, s.version, later)
		}
		if err != nil {
			return err
		}
		in.joined = late
		all := append(slices.Clone(s.inputs()), in)
		s.list.Store(&all)
	}
	if len(missing) == len(list) {
		return missing[0]
	}
	return nil
}

// inputs are the sources being read. The slice is not to be changed.
func (s *sources) inputs() []*input {
	if list := s.list.Load(); list != nil {
		return *list
	}
	return nil
}

// recorded reports whether a source is a capture.
func (s *sources) recorded() bool {
	return slices.ContainsFunc(s.inputs(), func(in *input) bool { return in.recorded })
}

// down names a source that is not read, nil for none.
func (s *sources) down() error {
	for _, in := range s.inputs() {
		if !in.up.Load() {
			return fmt.Errorf("source %s is down", in.name)
		}
	}
	return nil
}

// begin reads the sources until ctx ends.
func (s *sources) begin(ctx context.Context) {
	s.running = ctx
	for _, in := range s.inputs() {
		s.start(in)
	}
}

func (s *sources) start(in *input) {
	context.AfterFunc(s.running, in.stop)
	s.tasks.Go(func() { s.read(in.ctx, in) })
	if in.ask != nil {
		s.tasks.Go(func() { s.send(in.ctx, in) })
	}
}

// wait returns when nothing reads and sends any longer.
func (s *sources) wait() { s.tasks.Wait() }

// close ends the reading of all, last first.
func (s *sources) close() error {
	var errs []error
	for _, in := range slices.Backward(s.inputs()) {
		errs = append(errs, in.close())
	}
	return errors.Join(errs...)
}

// allOver reports whether there is nothing more to come: every source has failed, or ended where that ends the run.
func (s *sources) allOver(endsRun bool) (bool, error) {
	var failed []error
	for _, in := range s.inputs() {
		switch {
		case !in.over, in.failed == nil && !endsRun:
			return false, nil
		case in.failed != nil:
			failed = append(failed, in.failed)
		}
	}
	return true, errors.Join(failed...)
}

// place puts events under the boat's own network numbers and names, and gives them to our presences at a time that no
// set clock has moved. An error ends the daemon.
func (s *sources) place(in *input, events []event.Event, moved time.Duration) error {
	for i := range events {
		e := &events[i]
		local := int(e.Network)
		if local < len(in.numbers) {
			e.Network = in.numbers[local]
		} else {
			e.Network = s.number(in, local)
		}
		if e.Kind == event.KindNetwork && e.Info != nil {
			s.introduce(in, local, e)
		}
		if in.ask == nil {
			continue
		}
		err := in.ask.hear(local, e, e.Time.Add(-moved))
		switch {
		case err == nil:
		case in.joined:
			in.ask.off = true
			s.log.Error().Err(err).Str("source", in.name).Msg("nothing is asked there")
		default:
			return fmt.Errorf("ask on %s: %w", in.name, err)
		}
	}
	return nil
}

// number is the boat's number of a source's network; the boat takes none of those above the bound.
func (s *sources) number(in *input, local int) uint16 {
	if local >= maxNetworks {
		return math.MaxUint16
	}
	for len(in.numbers) <= local {
		in.numbers = append(in.numbers, s.nextNetwork())
	}
	return in.numbers[local]
}

// introduce puts the boat's name into the introduction of a network.
func (s *sources) introduce(in *input, local int, e *event.Event) {
	info := *e.Info
	info.ID = s.networkID(in, local, info.ID)
	if in.recorded && len(s.inputs()) > 1 {
		info.From = in.spec
	}
	e.Info = &info
	if slices.Contains(in.ids, info.ID) {
		return
	}
	in.ids = append(in.ids, info.ID)
	if info.Queue > 0 {
		s.log.Debug().Str("network", info.ID).Int("bytes", info.Queue).
			Msg("the kernel lets only this much wait to be read, so frames can be lost at a high load: " +
				"raise net.core.rmem_max")
	}
}

// maxNetworks bounds how many networks one source can bring.
const maxNetworks = 32

// nextNetwork is the boat's next free network number.
func (s *sources) nextNetwork() uint16 {
	n := uint16(0)
	for slices.ContainsFunc(s.inputs(), func(in *input) bool { return slices.Contains(in.numbers, n) }) {
		n++
	}
	return n
}

// networkID is the config's name for the network: the source's id, numbered from its second network on; without one the
// name that the source gives, followed by the source's place among the sources where another's network has it.
func (s *sources) networkID(in *input, local int, own string) string {
	if in.id != "" {
		if local == 0 {
			return in.id
		}
		return fmt.Sprintf("%s-%d", in.id, local+1)
	}
	if id, ok := in.given[own]; ok {
		return id // reported again, as when a line's rate was found
	}
	all := s.inputs()
	place := slices.Index(all, in)
	taken := func(id string) bool {
		// A source that comes earlier and is called so by the config will have that name, though it was not received yet.
		return slices.ContainsFunc(all[:place], func(o *input) bool { return o.id == "" && o.name == id }) ||
			slices.ContainsFunc(all, func(o *input) bool {
				return o != in && (o.id == id || slices.Contains(o.ids, id))
			})
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

// sourceChange is what a reload does to the sources.
type sourceChange struct {
	list        []*input // all from now on
	fresh, gone []*input
	late        []string // what takes effect after a restart
}

// change opens what is new in the list; a source that stays is read on. On an error nothing is left open.
func (s *sources) change(list []config.Source) (_ *sourceChange, err error) {
	present := s.inputs()
	c := &sourceChange{list: present}
	if slices.EqualFunc(present, list, func(in *input, c config.Source) bool { return in.config == c }) {
		return c, nil
	}
	if len(list) == 0 {
		return nil, errNoSource
	}
	if s.recorded() {
		c.late = []string{"sources (a capture is read from its beginning)"}
		return c, nil
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, closeInputs(c.fresh))
		}
	}()
	c.list = nil
	stays := func(same func(*input) bool) bool {
		i := slices.IndexFunc(present, func(in *input) bool { return same(in) && !slices.Contains(c.list, in) })
		if i >= 0 {
			c.list = append(c.list, present[i])
		}
		return i >= 0
	}
	var changed []config.Source
	for _, next := range list {
		if !stays(func(in *input) bool { return in.config == next }) {
			changed = append(changed, next)
		}
	}
	for _, next := range changed {
		// The device is in use: with another id it is another network, and to ask it is opened in another way.
		if stays(func(in *input) bool { return in.spec == next.Source }) {
			c.late = append(c.late, "sources (id or ask of "+next.Source+")")
			continue
		}
		in, err := openInput(next, s.version, s.open)
		if err != nil {
			return nil, err
		}
		c.list, c.fresh = append(c.list, in), append(c.fresh, in)
		if in.recorded {
			return nil, fmt.Errorf("source %s: a capture cannot be mixed with live sources: read it with muster audit",
				next.Source)
		}
	}
	for _, in := range present {
		if !slices.Contains(c.list, in) {
			c.gone = append(c.gone, in)
		}
	}
	return c, nil
}

// take begins and ends sources; the caller that asked for it closes those that were removed.
func (s *sources) take(c *sourceChange) {
	s.list.Store(&c.list)
	for _, in := range c.gone {
		in.gone = true
		s.log.Info().Str("source", in.name).Msg("source ended: the config no longer names it")
	}
	for _, in := range c.fresh {
		in.joined = true
		s.log.Info().Str("source", in.name).Msg("source begun")
		s.start(in)
	}
}

func closeInputs(list []*input) error {
	var errs []error
	for _, in := range list {
		errs = append(errs, in.close())
	}
	return errors.Join(errs...)
}
