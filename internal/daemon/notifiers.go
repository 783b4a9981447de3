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

// notifiers are the targets of the config and the hub, to which alerts are sent. Each has a
// goroutine, which wait awaits. The lists are changed by the model's goroutine, or before that runs.
type notifiers struct {
	log        zerolog.Logger
	boat       boat.Identity
	version    string
	keeper     *keeper // holds what waits to be sent
	report     func() *report.Report
	url        func() string // of the pages
	now        func() time.Time
	delay      *prometheus.HistogramVec // of deliveries, by target
	firstRetry time.Duration
	hubLook    <-chan time.Duration // fleet.Options.Look
	hubLog     zerolog.Logger

	targets atomic.Pointer[[]*notifier]
	up      atomic.Pointer[uplink] // nil without a hub
	running context.Context        // ends the notifiers
	config  []config.Target        // of the targets
	tasks   sync.WaitGroup
}

// begin sends until ctx ends.
func (o *notifiers) begin(ctx context.Context, targets []config.Target) {
	o.running = ctx
	o.startNotifiers(targets)
	o.startUplink(o.up.Load())
}

// change replaces the targets that differ.
func (o *notifiers) change(targets []config.Target, up *uplink) {
	if !reflect.DeepEqual(o.config, targets) {
		o.startNotifiers(targets)
	}
	o.startUplink(up)
}

// wait returns when every notifier has ended.
func (o *notifiers) wait() { o.tasks.Wait() }

// list are the notifiers of the targets.
func (o *notifiers) list() []*notifier {
	if list := o.targets.Load(); list != nil {
		return *list
	}
	return nil
}

// startNotifiers replaces the notifiers; what waits for one that stays is kept.
func (o *notifiers) startNotifiers(targets []config.Target) {
	for _, t := range o.list() {
		t.stop()
	}
	o.delay.Reset() // like the other counts of a target
	var list []*notifier
	for _, target := range targets {
		t := o.newNotifier(target)
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

// forgetOthers lets the store forget what waits for targets that are no longer notified.
func (o *notifiers) forgetOthers() {
	var keys []string
	for _, t := range o.list() {
		keys = append(keys, t.target.Key())
	}
	if o.up.Load() != nil {
		keys = append(keys, fleet.Target)
	}
	o.keeper.store.Forget(keys...)
}

// message is the change as it is sent.
func (o *notifiers) message(c *noted) ([]byte, error) {
	return json.Marshal(Message{Schema: messageSchema, Change: c.Change, Clock: c.clock, Boat: o.boat})
}

// queue queues a change for every target that accepts it. Runs on the model's goroutine, within the batch that keeps
// the alert.
func (o *notifiers) queue(c *noted) {
	if c.Silenced {
		return
	}
	body, err := o.message(c)
	if err != nil {
		o.log.Error().Err(err).Str("alert", c.Alert.ID).Msg("alert cannot be sent")
		return
	}
	for _, t := range o.list() {
		if accepts(&t.target, c.Alert.Severity) {
			o.keeper.store.Queue(t.target.Key(), body)
		}
	}
	if up := o.up.Load(); up != nil {
		up.Alert(body)
	}
}

// wake signals that the store was written.
func (o *notifiers) wake() {
	for _, t := range o.list() {
		t.wake()
	}
	if up := o.up.Load(); up != nil {
		up.Wake()
	}
}
