package daemon

import (
	"context"
	"reflect"

	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/snapshot"
)

// uplink is the one that tells the hub, with the config that it was made from.
type uplink struct {
	*fleet.Uplink
	config config.Fleet
	stop   context.CancelFunc // nil before it runs
	done   chan struct{}      // closed when it has ended
}

// CheckFleet says what stands against the fleet's keys and the files that they name. It connects to nobody.
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
	return fleet.Options{Boat: c.Boat, URLs: f.URL, Credentials: f.Credentials, CA: f.CA, Every: f.Every, Metrics: f.MetricsURL,
		MaxBytes: c.Store.MaxMB << 20 / 2} // the other half is for what is known of the devices
}

// newUplink makes the uplink that a config asks for, nil for none.
func (d *Daemon) newUplink(c *config.Config) (*uplink, error) {
	if !c.Fleet.On() {
		return nil, nil
	}
	opt := fleetOptions(c)
	opt.Boat = d.opt.Config.Boat // a reload does not change it
	opt.Version, opt.Report, opt.Store, opt.Sync, opt.Now = d.opt.Version, d.Report, d.store, d.kick, d.now
	opt.Look = d.opt.fleetLook
	opt.Log = d.opt.Log.With().Str("component", "fleet").Logger()
	u, err := fleet.NewUplink(opt)
	if err != nil {
		return nil, err
	}
	return &uplink{Uplink: u, config: c.Fleet, done: make(chan struct{})}, nil
}

// nextUplink makes the uplink for a config that is reloaded. The present one goes on when nothing changed, in its files neither.
func (d *Daemon) nextUplink(c *config.Config) (*uplink, error) {
	if up := d.up.Load(); up != nil && reflect.DeepEqual(up.config, c.Fleet) && !up.Stale() {
		return up, nil
	}
	return d.newUplink(c)
}

// startUplink lets an uplink, or none, tell the hub in the place of the present one, and begins once that has ended.
func (d *Daemon) startUplink(ctx context.Context, up *uplink) {
	was := d.up.Swap(up)
	if was == up && (up == nil || up.stop != nil) {
		return
	}
	var before <-chan struct{}
	if was != nil && was != up {
		if was.stop != nil {
			was.stop()
			before = was.done
		}
	}
	if up == nil {
		d.store.Forget(d.targets()...)
		return
	}
	ctx, up.stop = context.WithCancel(ctx)
	d.helpers.Go(func() {
		defer close(up.done)
		if before != nil {
			<-before
		}
		up.Run(ctx)
	})
}

// targets are the keys of everybody for whom the store keeps what waits.
func (d *Daemon) targets() []string {
	var keys []string
	for _, t := range d.tellers() {
		keys = append(keys, t.target.Key())
	}
	if d.up.Load() != nil {
		keys = append(keys, fleet.Target)
	}
	return keys
}

// tellFleet queues a change of an alert. Runs on the model's goroutine, within the batch that keeps the alert.
func (d *Daemon) tellFleet(c *noted) {
	up := d.up.Load()
	if up == nil || c.Silenced {
		return
	}
	body, err := d.message(c)
	if err != nil {
		d.log.Error().Err(err).Str("alert", c.Alert.ID).Msg("cannot be told to the hub")
		return
	}
	up.Alert(body)
}

// wakeUplink says that the store was written.
func (d *Daemon) wakeUplink() {
	if up := d.up.Load(); up != nil {
		up.Wake()
	}
}

// tellSnapshot tells the hub a snapshot taken on the pages or by the API.
func (d *Daemon) tellSnapshot(s *snapshot.Snapshot) {
	up := d.up.Load()
	if up == nil {
		return
	}
	sealed, err := s.Encode()
	if err != nil {
		d.log.Error().Err(err).Msg("the snapshot cannot be told to the hub")
		return
	}
	up.Snapshot(sealed)
}

// tellRecord tells the hub a service record printed from the pages.
func (d *Daemon) tellRecord(name, media string, data []byte) {
	if up := d.up.Load(); up != nil {
		up.Record(fleet.Document{Name: name, Media: media, Data: data})
	}
}
