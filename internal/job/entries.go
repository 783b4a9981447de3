package job

import "encoding/json"

// Opening is the data of the line that opens a job: who, where, what for.
type Opening struct {
	Number   string `json:"number"`
	Boat     string `json:"boat,omitempty"`
	Customer string `json:"customer,omitempty"`
	Place    string `json:"place,omitempty"`
	AskedFor string `json:"asked_for,omitempty"`
}

// FileLine is the data of a line that puts a file into the job.
type FileLine struct {
	File   string `json:"file"` // its name in the folder, with slashes
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
	What   What   `json:"what"`
	Text   string `json:"text,omitempty"`

	Shared  int    `json:"shared,omitempty"` // units that it has in common with the boat before the work
	Of      int    `json:"of,omitempty"`     // of so many
	Because string `json:"belongs_because,omitempty"`
}

// What is what a file is.
type What string

// What files are.
const (
	Before  What = "before"
	After   What = "after"
	Order   What = "order"
	Sheet   What = "sheet"
	Traffic What = "traffic"
	Photo   What = "photo"
	JobFile What = "job"
	Paper   What = "record"
	Other   What = "other"
)

// StepLine is the data of a line about a step that the network showed.
type StepLine struct {
	Text string          `json:"text,omitempty"`
	Step json.RawMessage `json:"step"` // as release.Follower.Remember wrote it
}

// Outside is the data of a line about a unit that changed and that no step is about.
type Outside struct {
	Label string `json:"label"`
	From  string `json:"from"`
	To    string `json:"to"`
}

// ByHand is the data of a version that a person read off a screen. Reason, of a settled line, is that person's answer
// to what the network does not show.
type ByHand struct {
	Version string `json:"version"`
	Reason  string `json:"reason,omitempty"`
}

// Tick is the data of a hold point that was settled.
type Tick struct {
	Point   string `json:"point"`
	Reading string `json:"reading,omitempty"`
	Photo   string `json:"photo,omitempty"` // its name in the folder
}

// Waiver is the data of a pre-check that is not kept to.
type Waiver struct {
	Check  string `json:"check"`
	Reason string `json:"reason"`
}

// Words is the data of a note, of a reopened job and of a sign-off.
type Words struct {
	Text    string     `json:"text"`
	Strokes [][][2]int `json:"strokes,omitempty"` // of a sign-off: the signature as lines of points from 0 to 1000
}

// Work is the data of time worked.
type Work struct {
	Minutes int    `json:"minutes"`
	Kind    string `json:"kind,omitempty"`
}

// PartUsed is the data of a part that was fitted.
type PartUsed struct {
	Number string `json:"number,omitempty"`
	Name   string `json:"name"`
	Count  int    `json:"count"`
}
