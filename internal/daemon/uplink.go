package daemon

import (
	"context"
	"reflect"

	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/snapshot"
)

// uplink is the one that sends to the hub, with the config that it was made from.
type uplink struct {
	*fleet.Uplink
	config config.Fleet
	stop   context.CancelFunc // nil before it runs
	done   chan struct{}      // closed when it has ended
}

// CheckFleet reports what is wrong with the fleet's keys and the files that they name. It makes no connection.
func CheckFleet(c *config.Config) error {
	if !c.Fleet.On() {
		return nil
	}
	opt := fleetOptions(c)
	_, err := opt.Check()
	return err
}

func fleetOptions(c *config.Config) fleet.Options {
	f := &c.Fleet
	return fleet.Options{Boat: c.Boat, URLs: f.URL, Credentials: f.Credentials, CA: f.CA, Every: f.Every,
		Metrics:  f.MetricsURL,
		MaxBytes: c.Store.MaxMB << 20 / 2} // the other half is for what is known of the devices
}

// newUplink makes the uplink that a config asks for, nil for none.
func (o *notifiers) newUplink(c *config.Config) (*uplink, error) {
	if !c.Fleet.On() {
		return nil, nil
	}
	opt := fleetOptions(c)
	opt.Boat = o.boat // a reload does not change it
	opt.Version, opt.Report, opt.Now = o.version, o.report, o.now
	opt.Store, opt.Sync = o.keeper.store, o.keeper.wake
	opt.Look, opt.Log = o.hubLook, o.hubLog
	u, err := fleet.NewUplink(opt)
	if err != nil {
		return nil, err
	}
	return &uplink{Uplink: u, config: c.Fleet, done: make(chan struct{})}, nil
}

// nextUplink makes the uplink for a config that is reloaded. The present one goes on when nothing changed, in its
// files neither.
func (o *notifiers) nextUplink(c *config.Config) (*uplink, error) {
	if link := o.up.Load(); link != nil && reflect.DeepEqual(link.config, c.Fleet) && !link.Stale() {
		return link, nil
	}
	return o.newUplink(c)
}

// startUplink lets an uplink, or none, send to the hub instead of the present one, and begins once that has ended.
func (o *notifiers) startUplink(link *uplink) {
	was := o.up.Swap(link)
	if was == link && (link == nil || link.stop != nil) {
		return
	}
	var before <-chan struct{}
	if was != nil && was != link && was.stop != nil {
		was.stop()
		before = was.done
	}
	if link == nil {
		o.forgetOthers()
		return
	}
	var ctx context.Context
	ctx, link.stop = context.WithCancel(o.running)
	o.tasks.Go(func() {
		defer close(link.done)
		if before != nil {
			<-before
		}
		link.Run(ctx)
	})
}

// sendSnapshot sends the hub a snapshot taken on the pages or by the API.
func (o *notifiers) sendSnapshot(s *snapshot.Snapshot) {
	link := o.up.Load()
	if link == nil {
		return
	}
	sealed, err := s.Encode()
	if err != nil {
		o.log.Error().Err(err).Msg("the snapshot cannot be sent to the hub")
		return
	}
	link.Snapshot(sealed)
}

// sendRecord sends the hub a service record printed from the pages.
func (o *notifiers) sendRecord(name, media string, data []byte) {
	if link := o.up.Load(); link != nil {
		link.Record(fleet.Document{Name: name, Media: media, Data: data})
	}
}
