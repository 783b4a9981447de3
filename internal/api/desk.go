package api

import (
	"context"
	"errors"
	"io"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/snapshot"
)

// Desk does what people ask for. It is done when the method returns; the next report shows it.
// Its methods may be called from anywhere.
type Desk interface {
	// Acknowledge notes who acknowledges an alert; alert.ErrUnknown when none has the id.
	Acknowledge(ctx context.Context, alertID, by string) error
	// Unacknowledge takes back the acknowledgement of an alert; alert.ErrUnknown when none with the id is acknowledged.
	Unacknowledge(ctx context.Context, alertID string) error
	// AddManual enters a device by hand and returns it with its id and time.
	AddManual(ctx context.Context, m boat.Manual) (boat.Manual, error)
	// RemoveManual removes a device entered by hand; ErrNoSuch when there is none.
	RemoveManual(ctx context.Context, id string) error
	// Decisions lists what was decided by hand of which presences are one unit, shared and read-only.
	Decisions() []boat.Decision
	// Decide notes that two presences are one unit or two, instead of what was decided of them before; ErrNoSuch when the boat has none
	// of an id.
	Decide(ctx context.Context, d boat.Decision) error
	// Undecide removes what was decided of two presences; ErrNoSuch when nothing was.
	Undecide(ctx context.Context, a, b string) error
	// Jobs are the boat's jobs.
	Jobs

	// Silences lists the silences in the order in which they were set, shared and read-only.
	Silences() []alert.Silence
	// Silence starts a silence of this length now, instead of one with the same scope, and returns it with its times.
	Silence(ctx context.Context, s alert.Silence, span time.Duration) (alert.Silence, error)
	// EndSilence ends the silence with this scope; ErrNoSuch when there is none.
	EndSilence(ctx context.Context, scope alert.Silence) error
	// Baseline is the snapshot that the boat is compared with, shared and read-only; nil for none. named is true when
	// the config names it.
	Baseline() (s *snapshot.Snapshot, named bool)
	// SetBaseline sets the baseline, nil removes it; ErrNamed when the config names one, ErrNoSuch when there is none to remove.
	SetBaseline(ctx context.Context, s *snapshot.Snapshot) error
	// Layouts lists all versions of layouts that were drawn on the pages, oldest first, shared and read-only.
	Layouts() []KeptLayout
	// KeepLayout keeps a layout file as the next version and puts it in force; ErrFull when no more are kept.
	KeepLayout(ctx context.Context, text, by string) error
	// ReloadConfig reloads the config file; on an error the present config stays in force.
	ReloadConfig(ctx context.Context) (Reloaded, error)
}

// Errors of a Desk that the API answers with a status of their own.
var (
	ErrNoSuch = errors.New("there is none with this id")
	ErrFull   = errors.New("the list is full")
	ErrNamed  = errors.New("the config names it: change the config and reload it")
)

// Work is a work order and its progress.
type Work struct {
	Order  *release.Order       `json:"order,omitempty"`
	Status []release.StepStatus `json:"status"`
	Done   bool                 `json:"done"` // every step is verified

	PreChecks []release.PreCheck `json:"pre_checks,omitempty" doc:"As received now; the battery voltage alone from the first step on."`
}

// KeptLayout is a version of a layout that was drawn on the pages.
type KeptLayout struct {
	Number  int        `json:"number"` // from 1
	At      event.Time `json:"at"`
	By      string     `json:"by"`
	Network string     `json:"network,omitempty"` // as the layout names it
	Text    string     `json:"text"`              // the layout file
}

// Reloaded is the result of reloading the config.
type Reloaded struct {
	AfterRestart []string `json:"after_restart" doc:"Keys whose new values take effect when the program is started again; until then the present ones hold."`
}

// Conditions are the conditions aboard by recent traffic.
type Conditions struct {
	At event.Time `json:"at,omitzero" doc:"Time of the report that they belong to."`
	release.Conditions
}

// NoDesk refuses to act: the server only shows.
type NoDesk struct{}

var errNoDesk = errors.New("this server only shows: start muster run or muster demo to act")

func (NoDesk) Acknowledge(context.Context, string, string) error { return errNoDesk }
func (NoDesk) Unacknowledge(context.Context, string) error       { return errNoDesk }
func (NoDesk) AddManual(context.Context, boat.Manual) (boat.Manual, error) {
	return boat.Manual{}, errNoDesk
}
func (NoDesk) RemoveManual(context.Context, string) error     { return errNoDesk }
func (NoDesk) Decisions() []boat.Decision                     { return nil }
func (NoDesk) Decide(context.Context, boat.Decision) error    { return errNoDesk }
func (NoDesk) Undecide(context.Context, string, string) error { return errNoDesk }
func (NoDesk) Silences() []alert.Silence                      { return nil }
func (NoDesk) Job() *Job                                      { return nil }
func (NoDesk) PastJobs() []PastJob                            { return []PastJob{} }
func (NoDesk) OpenJob(context.Context, NewJob) error          { return errNoDesk }
func (NoDesk) ActOnJob(context.Context, JobAct) error         { return errNoDesk }
func (NoDesk) AddToJob(context.Context, JobEntry) error       { return errNoDesk }
func (NoDesk) AddPicture(context.Context, string, string, []byte) (string, error) {
	return "", errNoDesk
}
func (NoDesk) JobFile(context.Context, string) ([]byte, error) { return nil, errNoDesk }
func (NoDesk) PackJob(context.Context, string) (io.ReadCloser, error) {
	return nil, errNoDesk
}
func (NoDesk) TakeJob(context.Context, string, io.ReaderAt, int64) error { return errNoDesk }
func (NoDesk) Silence(context.Context, alert.Silence, time.Duration) (alert.Silence, error) {
	return alert.Silence{}, errNoDesk
}
func (NoDesk) EndSilence(context.Context, alert.Silence) error { return errNoDesk }
func (NoDesk) Baseline() (*snapshot.Snapshot, bool)            { return nil, false }
func (NoDesk) SetBaseline(context.Context, *snapshot.Snapshot) error {
	return errNoDesk
}
func (NoDesk) Layouts() []KeptLayout                            { return nil }
func (NoDesk) KeepLayout(context.Context, string, string) error { return errNoDesk }
func (NoDesk) ReloadConfig(context.Context) (Reloaded, error)   { return Reloaded{}, errNoDesk }
