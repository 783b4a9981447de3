package check

import (
	"fmt"
	"maps"
	"strings"
)

// Class is the safety class of a step. Steps that isolate come first, then those that measure or look, and last those
// that change something.
type Class string

// The classes of steps.
const (
	Isolate Class = "isolate" // switch power off before work on the wiring
	Measure Class = "measure" // take a reading
	Look    Class = "look"    // look, compare, read
	Change  Class = "change"  // change the boat, a device or a setting
)

// Step is one step of a remedy: a command or two, which a person can tick when it is done.
type Step struct {
	Class Class  `json:"class" enum:"isolate,measure,look,change"`
	Text  string `json:"text"`
}

// Remedy is the steps as one text.
func Remedy(steps []Step) string {
	texts := make([]string, len(steps))
	for i, s := range steps {
		texts[i] = s.Text
	}
	return strings.Join(texts, " ")
}

// StepsOr are the steps of a remedy. Where there are none, as an earlier version wrote it, the text of the remedy is a step without a class.
func StepsOr(steps []Step, remedy string) []Step {
	if len(steps) == 0 && remedy != "" {
		return []Step{{Text: remedy}}
	}
	return steps
}

// Text is what people read of one check. In the texts, {name} is a value of the finding.
type Text struct {
	Doc   string          // the fault in one sentence, for help and documentation
	Term  string          // the glossary's word for what is at fault
	Cases map[string]Case // by Finding.Case
}

// Case is what people read of one kind of finding of a check.
type Case struct {
	Summary string // the fact, the number, the limit; without a full stop
	Remedy  []Step // in the order in which they are done
}

// Values are what the texts of a finding are filled with, by name.
type Values map[string]any

// catalogue holds the texts of every check, those of other packages too. Read-only.
var catalogue = merge(busTexts, lineTexts, deviceTexts, dataTexts, recordTexts, layoutTexts)

func merge(parts ...map[string]Text) map[string]Text {
	all := map[string]Text{}
	for _, part := range parts {
		maps.Copy(all, part)
	}
	return all
}

// TextOf is what people read of a check; the zero Text when there is no such check. Read-only.
func TextOf(id string) Text { return catalogue[id] }

// Describe makes the summary and the remedy of a finding. A case that the catalogue does not have gives empty ones.
func Describe(id, name string, values Values) (summary string, remedy []Step) {
	c := catalogue[id].Cases[name]
	remedy = make([]Step, 0, len(c.Remedy))
	for _, s := range c.Remedy {
		if text := strings.TrimSpace(values.fill(s.Text)); text != "" {
			remedy = append(remedy, Step{s.Class, text})
		}
	}
	return values.fill(c.Summary), remedy
}

// fill replaces the keys in braces by their values. A key without a value stays.
func (v Values) fill(text string) string {
	var b strings.Builder
	for {
		before, rest, ok := strings.Cut(text, "{")
		b.WriteString(before)
		if !ok {
			return b.String()
		}
		key, after, _ := strings.Cut(rest, "}")
		if value, ok := v[key]; ok {
			fmt.Fprint(&b, value)
		} else {
			b.WriteString("{" + key + "}")
		}
		text = after
	}
}

// beforeWiring begins every remedy that leads to the wiring.
var beforeWiring = Step{Isolate, "Isolate power before you work on the wiring. Follow local codes and the rules on licensed practice."}
