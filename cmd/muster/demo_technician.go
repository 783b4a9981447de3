package main

import (
	"context"
	"slices"
	"strings"
	"time"

	"muster/internal/api"
	"muster/internal/daemon"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/sim"
)

// technician updates the devices of the demo's job, as a person does at their own screens.
type technician struct {
	cmd    *demoCmd
	d      *daemon.Daemon
	player *sim.Player
	boat   *sim.Scenario
}

// Times of the boat that a technician takes.
const (
	beforeUpdate = 10 * time.Second // from the last tick to the first screen, and from one device to the next
	updateTakes  = 45 * time.Second
	readsScreen  = 15 * time.Second // before the settings are entered again
)

// work does each step of the work order when it may be done, until ctx ends.
func (t *technician) work(ctx context.Context) {
	begun, entered := map[string]bool{}, map[string]bool{}
	for pause(ctx, t.cmd.of(time.Second)) {
		s, status := nextStep(t.d.Desk().Job())
		if s == nil {
			continue
		}
		k := slices.IndexFunc(t.boat.Devices, func(d sim.Device) bool { return d.Serial == s.Device.Serial })
		if k < 0 {
			continue
		}
		device := &t.boat.Devices[k]
		switch key := s.Device.ID; {
		case status.State == release.StepWaiting && !begun[key] && pause(ctx, t.cmd.of(beforeUpdate)):
			begun[key] = true
			software := strings.Replace(device.Software, s.From, s.To, 1)
			t.player.Act(sim.Action{Do: "update", Device: device.ID, For: updateTakes, Software: software, Defaults: true})
		case status.State == release.StepReentry && !entered[key] && pause(ctx, t.cmd.of(readsScreen)):
			entered[key] = true
			t.player.Act(sim.Action{Do: "reenter", Device: device.ID})
		}
	}
}

// nextStep is the first step that is not done; nil while nothing may be updated.
func nextStep(j *api.Job) (*release.Step, *release.StepStatus) {
	switch {
	case !j.Open() || j.Work.Order == nil:
		return nil, nil
	case j.Stage != api.StageGo && j.Stage != api.StageWork:
		return nil, nil
	case j.Stage == api.StageGo && (len(j.Next.Blockers) > 0 || j.Next.Go == job.GoNo):
		return nil, nil
	}
	for i, s := range j.Work.Order.Steps() {
		if st := &j.Work.Status[i]; st.State != release.StepVerified {
			return s, st
		}
	}
	return nil, nil
}

// pause waits; it is false when ctx has ended.
func pause(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}
