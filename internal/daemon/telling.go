package daemon

import (
	"context"
	"encoding/json"
	"reflect"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/report"
)

// telling is everybody who is told of what happens aboard: the targets of the config and the hub. Each has a
// goroutine, which wait awaits. The lists are changed by the model's goroutine, or before that runs.
type telling struct {
	log        zerolog.Logger
	boat       boat.Identity
	version    string
	keeper     *keeper // holds what waits to be told
	report     func() *report.Report
	url        func() string // of the pages
	now        func() time.Time
	delay      *prometheus.HistogramVec // of deliveries, by target
	firstRetry time.Duration
	hubLook    <-chan time.Duration // fleet.Options.Look
	hubLog     zerolog.Logger

	targets atomic.Pointer[[]*teller]
	up      atomic.Pointer[uplink] // nil when no hub is told
	running context.Context        // ends those who tell
	config  []config.Target        // that are told
	tasks   sync.WaitGroup
}

// begin tells until ctx ends.
func (o *telling) begin(ctx context.Context, targets []config.Target) {
	o.running = ctx
	o.startNotifiers(targets)
	o.startUplink(o.up.Load())
}

// change tells others, as far as they are others, in the place of those told so far.
func (o *telling) change(targets []config.Target, up *uplink) {
	if !reflect.DeepEqual(o.config, targets) {
		o.startNotifiers(targets)
	}
	o.startUplink(up)
}

// wait returns when nobody is told any more.
func (o *telling) wait() { o.tasks.Wait() }

// tellers are the targets being told.
func (o *telling) tellers() []*teller {
	if list := o.targets.Load(); list != nil {
		return *list
	}
	return nil
}

// startNotifiers tells the targets in the place of those told so far, which end; what waits for one that stays is kept.
func (o *telling) startNotifiers(targets []config.Target) {
	for _, t := range o.tellers() {
		t.stop()
	}
	o.delay.Reset() // like the other counts of a target
	var list []*teller
	for _, target := range targets {
		t := o.newTeller(target)
		ctx, stop := context.WithCancel(o.running)
		t.stop = stop
		list = append(list, t)
		o.tasks.Go(func() { t.run(ctx) })
	}
	o.config = targets
	o.targets.Store(&list)
	o.forgetOthers()
	for _, t := range list {
		t.wake()
	}
}

// forgetOthers lets the store forget what waits for those who are told no more.
func (o *telling) forgetOthers() {
	var keys []string
	for _, t := range o.tellers() {
		keys = append(keys, t.target.Key())
	}
	if o.up.Load() != nil {
		keys = append(keys, fleet.Target)
	}
	o.keeper.store.Forget(keys...)
}

// message is the change as those who are told of it get it.
func (o *telling) message(c *noted) ([]byte, error) {
	return json.Marshal(Message{Schema: messageSchema, Change: c.Change, Clock: c.clock, Boat: o.boat})
}

// tell puts a change before everybody who is told of it. Runs on the model's goroutine, within the batch that keeps
// the alert.
func (o *telling) tell(c *noted) {
	if c.Silenced {
		return
	}
	body, err := o.message(c)
	if err != nil {
		o.log.Error().Err(err).Str("alert", c.Alert.ID).Msg("alert cannot be sent")
		return
	}
	for _, t := range o.tellers() {
		if wants(&t.target, c.Alert.Severity) {
			o.keeper.store.Queue(t.target.Key(), body)
		}
	}
	if up := o.up.Load(); up != nil {
		up.Alert(body)
	}
}

// wake says that the store was written.
func (o *telling) wake() {
	for _, t := range o.tellers() {
		t.wake()
	}
	if up := o.up.Load(); up != nil {
		up.Wake()
	}
}
