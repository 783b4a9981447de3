package job

import (
	"fmt"
	"slices"

	"muster/internal/event"
)

// Measured is the data of a reading in the search for a fault.
type Measured struct {
	Network  string   `json:"network,omitempty"`
	Reading  string   `json:"reading,omitempty"`  // as muster locate reads it; "" takes back the one that it corrects
	Corrects int      `json:"corrects,omitempty"` // line of the reading in whose place it is
	Likely   []Likely `json:"likely,omitempty"`   // where the fault was then, most probable first
}

// Likely is a place of a fault with its probability.
type Likely struct {
	Part        string  `json:"part"`
	Fault       string  `json:"fault"`
	Probability float64 `json:"probability"`
}

// String is the place as it is printed.
func (l Likely) String() string {
	return fmt.Sprintf("%s: %s, %.0f %%", l.Part, l.Fault, 100*l.Probability)
}

// FoundFault is the data of a fault that was found. It ends the search on its network: readings after it are of another.
type FoundFault struct {
	Network string `json:"network,omitempty"`
	Part    string `json:"part"`
	Fault   string `json:"fault"`
	How     string `json:"how,omitempty"` // it was found, and what was done
}

// Searched is one step of the search for a fault: a reading, or what was found.
type Searched struct {
	Line      int         `json:"line"`
	At        event.Time  `json:"at"`
	By        string      `json:"by"`
	Network   string      `json:"network,omitempty"`
	Reading   string      `json:"reading,omitempty"`
	Corrects  int         `json:"corrects,omitempty"`
	Corrected bool        `json:"corrected,omitempty"` // a later line stands in its place
	Likely    []Likely    `json:"likely,omitempty"`
	Found     *FoundFault `json:"found,omitempty"`
}

// foldSearch takes up a reading, or what was found.
func (v *Visit) foldSearch(line *Line) error {
	s := Searched{Line: line.N, At: line.At, By: line.By}
	if line.Kind == Found {
		s.Found = new(FoundFault)
		if err := line.Into(s.Found); err != nil {
			return err
		}
		s.Network = s.Found.Network
		v.Search = append(v.Search, s)
		return nil
	}
	var m Measured
	if err := line.Into(&m); err != nil {
		return err
	}
	if err := v.CheckMeasured(m); err != nil {
		return err
	}
	for i := range v.Search {
		if v.Search[i].Line == m.Corrects {
			v.Search[i].Corrected = true
		}
	}
	s.Network, s.Reading, s.Corrects, s.Likely = m.Network, m.Reading, m.Corrects, m.Likely
	v.Search = append(v.Search, s)
	return nil
}

// CheckMeasured refuses a reading that says nothing, and one in place of a reading that is not in force.
func (v *Visit) CheckMeasured(m Measured) error {
	if m.Corrects == 0 {
		if m.Reading == "" {
			return fmt.Errorf("reading: it is empty")
		}
		return nil
	}
	if !slices.ContainsFunc(InForce(v.Search, m.Network), func(s Searched) bool { return s.Line == m.Corrects }) {
		return fmt.Errorf("reading: line %d of the ledger is no reading in force", m.Corrects)
	}
	return nil
}

// InForce are the readings of a network that count: not corrected, and taken since a fault was found there last.
func InForce(search []Searched, network string) (list []Searched) {
	for _, s := range search {
		switch {
		case s.Network != network:
		case s.Found != nil:
			list = nil
		case s.Reading != "" && !s.Corrected:
			list = append(list, s)
		}
	}
	return list
}
