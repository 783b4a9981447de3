package api

import (
	"context"
	"errors"
	"io"

	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
)

// Jobs are the boat's jobs. People act on the latest. What a method put into a job is on the disk when it returns.
// The methods may be called from anywhere.
type Jobs interface {
	// Job is the latest job, shared and read-only; nil when there is none.
	Job() *Job
	// PastJobs lists all jobs, the latest first.
	PastJobs() []PastJob
	// OpenJob opens a job and takes the snapshot before the work. ErrJobOpen when the latest is not closed.
	OpenJob(ctx context.Context, o NewJob) error
	// ActOnJob takes the job a step on; ErrNoJob when there is none.
	ActOnJob(ctx context.Context, a JobAct) error
	// AddToJob puts in what a person says; ErrNoJob when there is none.
	AddToJob(ctx context.Context, e JobEntry) error
	// AddPicture puts a picture into the job, without its place data, and returns its name there. The same one again changes nothing.
	AddPicture(ctx context.Context, by, text string, picture []byte) (string, error)
	// JobFile reads a file of the latest job; ErrNoSuch when it has none of this name.
	JobFile(ctx context.Context, name string) ([]byte, error)
	// PackJob is a job in one zip file, "" for the latest; ErrNoSuch when there is none of this name. The caller closes it.
	PackJob(ctx context.Context, folder string) (io.ReadCloser, error)
	// TakeJob goes on with a job in a zip file that was handed over elsewhere; one of another boat is
	// refused. ErrJobOpen when the latest is open here.
	TakeJob(ctx context.Context, by string, pack io.ReaderAt, size int64) error
}

// Errors of Jobs.
var (
	ErrNoJob   = errors.New("there is no open job: open one on the page Work")
	ErrJobOpen = errors.New("a job is open: close it first")
)

// JobStage is how far a job is.
type JobStage string

// The stages of a job, in their order.
const (
	StageBefore JobStage = "before" // the snapshot before the work is to be taken
	StagePlan   JobStage = "plan"
	StageGo     JobStage = "go" // pre-checks and hold points
	StageWork   JobStage = "work"
	StageAfter  JobStage = "after"  // the snapshot after the work is to be taken
	StageRecord JobStage = "record" // what the record lacks, signature, closing
	StageClosed JobStage = "closed"
	StageAway   JobStage = "handed-over" // it goes on elsewhere
)

// Stages lists the stages that a job goes through.
func Stages() []JobStage {
	return []JobStage{StageBefore, StagePlan, StageGo, StageWork, StageAfter, StageRecord, StageClosed}
}

// Job is a job as it is now.
type Job struct {
	Folder  string          `json:"folder" doc:"Name of its folder."`
	Opening job.Opening     `json:"opening"`
	Opened  event.Time      `json:"opened_at,omitzero"`
	Stage   JobStage        `json:"stage" enum:"before,plan,go,work,after,record,closed,handed-over"`
	Chapter int             `json:"chapter" doc:"1, and one more each time that it was opened again."`
	Problem string          `json:"problem,omitempty" doc:"Why the latest job cannot be read or followed."`
	Next    job.Advice      `json:"next"`
	Work    Work            `json:"work" doc:"Its work order with the state of each step; no order when none is planned."`
	Plan    *release.Order  `json:"plan,omitempty" doc:"At the stages plan and go: the order that the sheets would make now."`
	Offers  []release.Offer `json:"offers,omitempty" doc:"What can be chosen then of the units that are behind."`
	Points  []TickedPoint   `json:"hold_points"`
	Waived  []job.Statement `json:"waived"`
	Search  []job.Searched  `json:"search" doc:"The search for a fault: readings, and what was found."`
	Notes   []job.Statement `json:"notes"`
	Hours   []job.Work      `json:"hours"`
	Parts   []job.PartUsed  `json:"parts"`
	SignOff *job.Statement  `json:"signed_off,omitempty"`
	Files   []job.FileLine  `json:"files"`
	Lines   int             `json:"ledger_lines"`
	SHA256  string          `json:"ledger_sha256"`
	Keys    []job.KeyName   `json:"keys,omitempty" doc:"Keys that sign when it is closed, or that signed it; absent when no key is kept."`
}

// Open reports whether there is a job that is not closed.
func (j *Job) Open() bool {
	return j != nil && j.Stage != StageClosed && j.Stage != StageAway && j.Lines > 0
}

// TickedPoint is a hold point, and who ticked it.
type TickedPoint struct {
	job.Point
	By      string     `json:"by,omitempty" doc:"Who ticked it; absent while it is open."`
	At      event.Time `json:"at,omitzero"`
	Reading string     `json:"reading,omitempty"`
	Photo   string     `json:"photo,omitempty" doc:"Name of the picture in the job."`
}

// PastJob is one job in short.
type PastJob struct {
	Folder string `json:"folder"`
	Closed bool   `json:"closed"`
}

// NewJob opens a job.
type NewJob struct {
	By       string `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person who opens it."`
	Number   string `json:"number,omitempty" maxLength:"80" doc:"The shop's job number. Default: the name of the folder."`
	Boat     string `json:"boat,omitempty" maxLength:"80"`
	Customer string `json:"customer,omitempty" maxLength:"80"`
	Place    string `json:"place,omitempty" maxLength:"80"`
	AskedFor string `json:"asked_for,omitempty" maxLength:"400"`
}

// JobAct takes a job a step on.
type JobAct struct {
	By      string   `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person who acts."`
	Do      string   `json:"do" enum:"before,plan,after,close,hand-over" doc:"Take a snapshot, make the work order, make the record and close, or hand over."`
	To      string   `json:"to,omitempty" maxLength:"80" doc:"For hand-over: where the job goes on."`
	Without []string `json:"without,omitempty" maxItems:"1000" doc:"For plan: ids of units that are not to be updated."`
	Because string   `json:"because,omitempty" maxLength:"400" doc:"For after: why the boat is the same although the snapshots share too few units."`

	Releases map[string]string `json:"releases,omitempty" maxProperties:"1000" doc:"For plan, by id of a unit: the release that it gets instead of the current one."`
	Turns    map[string]int    `json:"turns,omitempty" maxProperties:"1000" doc:"For plan, by id of a unit: it goes after the units of the turns below its own."`
}

// JobEntry is what a person puts into a job. Which keys it has depends on its kind.
type JobEntry struct {
	By      string       `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person whose entry it is; of signed-off, the customer's."`
	Kind    job.Kind     `json:"kind" enum:"hold-point,waived,read-by-hand,settled,reading,found,note,hours,part,signed-off,reopened"`
	Point   string       `json:"point,omitempty" maxLength:"80" doc:"Of hold-point."`
	Check   string       `json:"check,omitempty" maxLength:"80" doc:"Of waived: the pre-check."`
	Step    string       `json:"step,omitempty" maxLength:"20" doc:"Of read-by-hand and settled."`
	Version string       `json:"version,omitempty" maxLength:"80" doc:"Of read-by-hand and settled: as on the device's own screen."`
	Reading string       `json:"reading,omitempty" maxLength:"200" doc:"Of hold-point: what was read. Of reading: as muster locate reads it; empty to take back the one that it corrects."`
	Photo   string       `json:"photo,omitempty" maxLength:"80" doc:"Of hold-point: name of a picture in the job."`
	Reason  string       `json:"reason,omitempty" maxLength:"400" doc:"Of waived, settled and reopened."`
	Text    string       `json:"text,omitempty" maxLength:"2000" doc:"Of note; kind of work of hours; name of part; of found: how."`
	Network string       `json:"network,omitempty" maxLength:"64" doc:"Of reading and found."`
	Fault   string       `json:"fault,omitempty" maxLength:"200" doc:"Of found: PART: FAULT, as the search names them."`
	Line    int          `json:"line,omitempty" minimum:"0" doc:"Of reading: line of the ledger with the reading that it corrects."`
	Number  string       `json:"number,omitempty" maxLength:"80" doc:"Of part."`
	Minutes int          `json:"minutes,omitempty" minimum:"0" maximum:"60000" doc:"Of hours."`
	Count   int          `json:"count,omitempty" minimum:"0" maximum:"10000" doc:"Of part. Default: 1."`
	Likely  []job.Likely `json:"-"` // of reading: where the fault is with it
	Strokes [][][2]int   `json:"strokes,omitempty" maxItems:"500" doc:"Of signed-off: the signature as lines of points from 0 to 1000."`
}

// ShowJob is a job as its ledger has it. live is the boat as it is received now, nil when nothing is received.
func ShowJob(v *job.Visit, live *job.Live) *Job {
	j := &Job{Opening: v.Opening, Opened: v.Ledger.Lines[0].At, Stage: stageOf(v), Chapter: v.Chapter,
		Next:   job.Next(v, live),
		Points: []TickedPoint{}, Waived: v.Waivers(),
		Search: append([]job.Searched{}, v.Search...), Notes: v.Remarks(), SignOff: v.Agreed(), Hours: append([]job.Work{}, v.Hours...),
		Parts: append([]job.PartUsed{}, v.Parts...), Files: append([]job.FileLine{}, v.Files...),
		Lines: len(v.Ledger.Lines), SHA256: v.Ledger.Digest(), Keys: v.Ledger.ClosedWith()}
	if v.Order != nil {
		j.Work = Work{Order: v.Order, Status: v.Follower.Status(), Done: v.Follower.Done()}
		for _, c := range j.Next.PreChecks {
			j.Work.PreChecks = append(j.Work.PreChecks, c.PreCheck)
		}
	}
	for _, p := range v.HoldPoints() {
		point := TickedPoint{Point: p}
		if line := v.Ticked[p.ID]; line != nil {
			t := job.TickOf(line)
			point.By, point.At, point.Reading, point.Photo = line.By, line.At, t.Reading, t.Photo
		}
		j.Points = append(j.Points, point)
	}
	return j
}

func stageOf(v *job.Visit) JobStage {
	switch {
	case v.Ledger.Closed():
		return StageClosed
	case v.Ledger.Away() != "":
		return StageAway
	case v.Before == nil:
		return StageBefore
	case v.After != nil:
		return StageRecord
	case v.Order == nil:
		return StagePlan
	case v.Follower.Done():
		return StageAfter
	case v.Follower.Waiting():
		return StageGo
	}
	return StageWork
}
