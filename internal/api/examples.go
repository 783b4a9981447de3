package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"

	"github.com/danielgtaylor/huma/v2"
)

// Example is what the reference says of an operation, and a request that it answers.
type Example struct {
	Operation string   // its id
	About     string   // empty leaves what the operation itself says
	Values    []string // names of parameters, each with its value
	Body      string   // JSON, or empty
}

// Explain puts examples into a description. Every operation needs one, and every example an operation.
func Explain(doc *huma.OpenAPI, list []Example) error {
	var errs []error
	by := map[string]Example{}
	for _, e := range list {
		by[e.Operation] = e
	}
	for _, item := range doc.Paths {
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Delete, item.Patch} {
			if op == nil {
				continue
			}
			e, ok := by[op.OperationID]
			if !ok {
				errs = append(errs, fmt.Errorf("operation %s has no example: add one to the list", op.OperationID))
				continue
			}
			delete(by, op.OperationID)
			errs = append(errs, e.explain(op))
		}
	}
	for id := range by {
		errs = append(errs, fmt.Errorf("there is no operation %s: remove its example", id))
	}
	return errors.Join(errs...)
}

func (e *Example) explain(op *huma.Operation) error {
	if e.About != "" {
		op.Description = e.About
	}
	if op.Description == "" {
		return fmt.Errorf("operation %s is not described", op.OperationID)
	}
	values := map[string]string{}
	for i := 0; i+1 < len(e.Values); i += 2 {
		values[e.Values[i]] = e.Values[i+1]
	}
	for _, p := range op.Parameters {
		value, ok := values[p.Name]
		if !ok && p.Required {
			return fmt.Errorf("operation %s: the example has no %s", op.OperationID, p.Name)
		}
		if delete(values, p.Name); !ok {
			continue
		}
		p.Example = value
		if n, err := strconv.Atoi(value); err == nil && p.Schema.Type == huma.TypeInteger {
			p.Example = n
		} else if p.Schema.Type == huma.TypeArray {
			p.Example = []string{value}
		} else if p.Schema.Type == huma.TypeBoolean {
			p.Example = value == "true"
		}
	}
	if len(values) > 0 {
		return fmt.Errorf("operation %s does not take %v", op.OperationID, values)
	}
	if op.RequestBody != nil {
		for kind, content := range op.RequestBody.Content {
			if kind == "application/json" {
				content.Example = json.RawMessage(e.Body)
			}
		}
	}
	return nil
}

// Examples are those of the boat's operations, in an order in which the boat of the scenario demo answers all of them. The ids of snapshots
// are of their moment.
var Examples = []Example{
	{"get-report", "Everything that is known of the boat: networks, units, alerts, what was judged, and what was not. With the ETag of the answer before in If-None-Match it is sent only when it has changed.", nil, ""},
	{"list-devices", "Each unit once, also one that sends under several NAMEs. The parameters narrow the list.", []string{"network", "n2k", "state", "present", "role", "display"}, ""},
	{"get-device", "Identity, software, addresses, messages with their rates, and history of one device.", []string{"id", "C0F08200FA20A02F"}, ""},
	{"list-networks", "Each NMEA 2000 network and NMEA 0183 line with its speed, counters and load, minute by minute.", nil, ""},
	{"list-backbones", "Lengths, voltages, load and findings of each layout, and what of it was received.", nil, ""},
	{"locate-fault", "Places of the backbone by the probability that the fault is there, with the reasons. It also gives the measurement to take next. Needs a layout.", []string{"reading", "tee 1: 12.1 V"}, ""},
	{"get-trends", "The points of the last hours at one of three resolutions. It also lists absences and software of the units, and when alerts were open.", []string{"resolution", "minute", "hours", "24"}, ""},
	{"get-trends-csv", "A row for each moment, a column for each quantity.", []string{"resolution", "minute", "hours", "24"}, ""},
	{"get-conditions", "What the checks before an update look at: battery voltage, engines and speed over ground.", nil, ""},
	{"list-alerts", "Findings that have lasted, also those that have cleared.", []string{"state", "open", "severity", "warning", "device", "C0F08200FA20A02F"}, ""},
	{"acknowledge-alert", "The alert stays open and is listed as acknowledged. It is not notified again.", []string{"id", "software-differs:2001 Larkfin LF9 display"}, `{"by":"Jo"}`},
	{"undo-acknowledge", "The alert is open again, as before.", []string{"id", "software-differs:2001 Larkfin LF9 display"}, ""},
	{"list-silences", "Silences that have not ended.", nil, ""},
	{"add-silence", "Give an alert, a check, a device, or a check with a device. A silence ends by itself after its time.", nil, `{"check":"silent","device":"C0AA8200FA402354","for":"8h","by":"Jo","why":"the mast is down"}`},
	{"end-silence", "Give the same keys as when it was set. Alerts that are still active are notified then.", []string{"check", "silent", "device", "C0AA8200FA402354"}, ""},
	{"list-messages", "The latest NMEA 2000 messages that the server keeps, with their fields.", []string{"device", "C0789100FA400C45", "pgn", "129025", "limit", "10"}, ""},
	{"list-sentences", "The latest NMEA 0183 sentences that the server keeps, with their fields.", []string{"limit", "10"}, ""},
	{"stream-messages", "", []string{"pgn", "129025", "latest", "true"}, ""},
	{"stream-reports", "Keep the connection open and fetch the report when an event comes. Last-Event-ID resumes after the last event that was read.", nil, ""},
	{"list-manual-devices", "Devices without a connection to any network, as people entered them.", nil, ""},
	{"add-manual-device", "For a radio or a display that is on no network. It is counted and updated like the others.", nil, `{"model":"Gannet VR2 radio","role":"radio","software":"1.04","place":"helm","by":"Jo"}`},
	{"list-decisions", "Decisions of people where no message gives the answer.", nil, ""},
	{"decide-unit", "Some boxes have several NAMEs and report nothing that joins them. Decide it once: all counts follow.", nil, `{"a":"m1","b":"C0788200FA205666","same":false,"by":"Jo"}`},
	{"remove-decision", "Then the program decides again.", []string{"a", "m1", "b", "C0788200FA205666"}, ""},
	{"remove-manual-device", "It is no longer listed. Snapshots that have it keep it.", []string{"id", "m1"}, ""},
	{"take-snapshot", "A snapshot is a report with a seal: later changes of the file are detected.", nil, ""},
	{"list-snapshots", "Time, boat and digest of each kept snapshot.", nil, ""},
	{"get-snapshot", "The whole report of its moment, with its seal.", []string{"id", ExampleBefore}, ""},
	{"compare-snapshots", "Devices that came, left or were replaced, software and settings that changed, and findings that are new or cleared.", []string{"before", ExampleBefore, "after", ExampleAfter}, ""},
	{"set-baseline", "Use it when the boat is as it should be: from then on each difference raises an alert.", nil, `{"snapshot":"` + ExampleBefore + `"}`},
	{"get-baseline", "The snapshot with its id and time.", nil, ""},
	{"end-baseline", "The alerts of its differences clear.", nil, ""},
	{"open-job", "One visit to the boat. The job keeps what was seen, read and decided in a ledger that only grows.", nil, `{"by":"Jo","number":"2026-7","customer":"A. Customer","place":"Quay","asked_for":"Update the displays"}`},
	{"get-job", "Its stage, its work order with the progress, and the one thing to do next.", nil, ""},
	{"act-on-job", "Each act is one of the steps of the job, in their order.", nil, `{"by":"Jo","do":"plan"}`},
	{"list-work-orders", "Steps, cautions and progress of what is to be updated.", nil, ""},
	{"add-to-job", "Which keys the entry needs depends on its kind.", nil, `{"by":"Jo","kind":"note","text":"the old release is on the card"}`},
	{"add-picture", "The picture is turned upright, made smaller, and stored without the place where it was taken.", []string{"by", "Jo", "text", "terminal"}, ""},
	{"get-job-file", "The job lists the names of its files with their digests.", []string{"name", "job.yaml"}, ""},
	{"pack-job", "Ledger, pictures, snapshots and record, to go on elsewhere.", nil, ""},
	{"list-jobs", "Number, customer and dates of each job on this computer.", nil, ""},
	{"reload-config", "Answers with the keys that take effect only after a restart.", nil, ""},
}

// Ids of snapshots in examples, of the form that those of a boat have.
const (
	ExampleBefore = "20260601T080000Z-4d1f3a90c2be"
	ExampleAfter  = "20260601T163000Z-9b07e5d4a1f8"
)
