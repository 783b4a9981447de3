package api

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"path"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/job"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// EncodeReport writes the report as the API and `--format json` give it: indented, with a final line end.
func EncodeReport(r *report.Report) ([]byte, error) {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return append(text, '\n'), nil
}

// encoder keeps the etag of the latest report, and its text if a client asked for it, so that many readers cost one encoding.
type encoder struct {
	mu     sync.Mutex
	report *report.Report
	tag    string
	text   []byte // nil until it is asked for
	old    []byte // the same in version 1
}

// etag identifies a report. It is the digest of the report without the spaces and lines of its text, which take several times as long
// as encoding: open pages ask for it every second.
func (e *encoder) etag(r *report.Report) (string, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.etagLocked(r)
}

// encode is the text with its etag, in version 1 or that of today.
func (e *encoder) encode(r *report.Report, version int) (text []byte, etag string, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if _, err = e.etagLocked(r); err != nil {
		return nil, "", err
	}
	kept, tag := &e.text, ""
	if version == 1 {
		kept, r, tag = &e.old, r.Version1(), "-v1"
	}
	if *kept == nil {
		*kept, err = EncodeReport(r)
	}
	return *kept, strings.TrimSuffix(e.tag, `"`) + tag + `"`, err
}

// etagLocked computes the etag of a report other than the one before. Called with mu held.
func (e *encoder) etagLocked(r *report.Report) (string, error) {
	if r != e.report || e.tag == "" {
		sum := sha256.New()
		if err := json.NewEncoder(sum).Encode(r); err != nil {
			return "", fmt.Errorf("report: %w", err)
		}
		e.report, e.text, e.old, e.tag = r, nil, nil, `"`+hex.EncodeToString(sum.Sum(nil)[:12])+`"`
	}
	return e.tag, nil
}

// matches reports whether an If-None-Match header names the etag (RFC 9110, 13.1.2: weak comparison).
func matches(header, etag string) bool {
	for tag := range strings.SplitSeq(header, ",") {
		if tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/"); tag == etag || tag == "*" {
			return true
		}
	}
	return false
}

// Prefix begins the paths of the API.
const Prefix = "/api/v1"

// addAPI serves every operation.
func (s *Server) addAPI(mux *http.ServeMux) { ServeAPI(mux, openAPI, s.operations) }

// operations registers every operation.
func (s *Server) operations(api huma.API) {
	s.addReading(api)
	s.addTrends(api)
	s.addBackbones(api)
	s.addFault(api)
	s.addActing(api)
	s.addKeeping(api)
	s.addBaseline(api)
	s.addStreams(api)
}

// ServeAPI serves the operations that register registers at /api/v1, with the description that Describe wrote of them, and answers
// requests for other paths.
func ServeAPI(mux *http.ServeMux, description []byte, register func(huma.API)) {
	api := newAPI(mux)
	register(api)
	serveDescription(mux, description)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		if !OtherMethod(mux, w, r) {
			refuse(w, r, http.StatusNotFound, fmt.Sprintf("there is no operation at %q: %s lists them", r.URL.Path, ui.ReferencePath))
		}
	})
}

func newAPI(mux *http.ServeMux) huma.API {
	config := huma.DefaultConfig("muster", "1")
	config.OpenAPIPath, config.SchemasPath, config.DocsPath, config.CreateHooks = "", "", "", nil
	body := huma.DefaultJSONFormat
	body.Unmarshal = func(data []byte, v any) error { return input.OpenJSON(context.Background(), "", data, v) } // bounded by BodyLimit
	config.Formats = map[string]huma.Format{"application/json": body, "json": body}
	config.Transformers = append(config.Transformers, brief)
	config.RejectUnknownQueryParameters = true
	config.Components.Schemas = huma.NewMapRegistry("#/components/schemas/", schemaName)
	config.Components.Schemas.RegisterTypeAlias(reflect.TypeFor[event.Time](), reflect.TypeFor[time.Time]())
	config.Components.SecuritySchemes = map[string]*huma.SecurityScheme{
		"token": {Type: "http", Scheme: "bearer", Description: "Required when the server has a token_file."}}
	problem := config.Components.Schemas.Schema(reflect.TypeFor[huma.ErrorModel](), true, "")
	config.Components.Schemas.SchemaFromRef(problem.Ref).Properties["type"] = &huma.Schema{Type: "string", Format: "uri-reference",
		Description: "The place of the reference that explains the problem.", Examples: []any{ui.ProblemType(http.StatusNotFound)}}
	config.Security = []map[string][]string{{}, {"token": {}}}
	config.Servers = []*huma.Server{{URL: "/"}}
	return humago.New(mux, config)
}

// mostErrors is how many errors of one request are listed.
const mostErrors = 20

// brief keeps the answer to a bad request short: a few errors, each with its place and no more of the request than its value.
func brief(_ huma.Context, _ string, v any) (any, error) {
	e, ok := v.(*huma.ErrorModel)
	if !ok {
		return v, nil
	}
	e.Type = ui.ProblemType(e.Status)
	if more := len(e.Errors) - mostErrors; more > 0 {
		e.Errors = append(e.Errors[:mostErrors:mostErrors], &huma.ErrorDetail{Message: fmt.Sprintf("and %d more errors", more)})
	}
	for _, d := range e.Errors {
		d.Message, d.Location = input.Shorten(d.Message), input.Shorten(d.Location)
		switch value := d.Value.(type) {
		case string:
			d.Value = input.Shorten(value)
		case map[string]any, map[any]any, []any:
			d.Value = nil // the place shows which
		}
	}
	return e, nil
}

// schemaName distinguishes types of one name in different packages.
func schemaName(t reflect.Type, hint string) string {
	name := huma.DefaultSchemaNamer(t, hint)
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	p := path.Base(t.PkgPath())
	if p == "report" || t == reflect.TypeFor[alert.Alert]() { // clients have the parts of a report as the boat's
		p = "boat"
	}
	if t.PkgPath() != "" && p != "api" && p != "pages" && p != "v2" {
		name = strings.ToUpper(p[:1]) + p[1:] + name
	}
	return name
}

// problem turns an error into the answer with its status.
func problem(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, alert.ErrUnknown), errors.Is(err, ErrNoSuch), errors.Is(err, ErrNoJob):
		return huma.Error404NotFound(err.Error())
	case errors.Is(err, ErrFull), errors.Is(err, ErrNamed), errors.Is(err, ErrJobOpen), errors.Is(err, job.ErrClosed),
		errors.Is(err, job.ErrAway):
		return huma.Error409Conflict(err.Error())
	case errors.Is(err, errNoDesk):
		return huma.Error501NotImplemented(err.Error())
	case NoRoom(err):
		return huma.Error503ServiceUnavailable(err.Error() + ": " + MakeRoom)
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return huma.Error503ServiceUnavailable("the boat's model did not answer in time: try again")
	}
	return huma.Error422UnprocessableEntity(err.Error())
}

// jsonResponse describes the answer of an operation that writes it itself.
func jsonResponse[T any](api huma.API, kind, words string) map[string]*huma.Response {
	schema := api.OpenAPI().Components.Schemas.Schema(reflect.TypeFor[T](), true, "")
	return map[string]*huma.Response{"200": {Description: words, Content: map[string]*huma.MediaType{kind: {Schema: schema}}}}
}

// answering registers an operation that answers with a T.
func answering[I, T any](api huma.API, op huma.Operation, f func(context.Context, *I) (T, error)) {
	huma.Register(api, op, func(ctx context.Context, in *I) (*struct{ Body T }, error) {
		v, err := f(ctx, in)
		return &struct{ Body T }{v}, err
	})
}

// read registers a reading operation.
func read[I, T any](api huma.API, id, route, summary, tag string, f func(context.Context, *I) (T, error), errs ...int) {
	answering(api, huma.Operation{OperationID: id, Method: http.MethodGet, Path: Prefix + route, Summary: summary, Tags: []string{tag},
		Errors: append(errs, 401)}, f)
}

func (s *Server) addReading(api huma.API) {
	op := huma.Operation{OperationID: "get-report", Method: http.MethodGet, Path: Prefix + "/report", Summary: "The whole device report",
		Tags: []string{"boat"}, Errors: []int{401}, Responses: jsonResponse[report.Report](api, "application/json", "The report.")}
	op.Responses["200"].Headers = map[string]*huma.Param{"ETag": {Schema: &huma.Schema{Type: "string"}, Description: "Changes with the report."}}
	op.Responses["304"] = &huma.Response{Description: "Unchanged: the report matches If-None-Match."}
	huma.Register(api, op, func(_ context.Context, in *struct {
		IfNoneMatch string `header:"If-None-Match"`
		Version     int    `query:"version" minimum:"1" maximum:"2" default:"2" doc:"Version of the report. Version 1 lists devices instead of units; it goes with the next release."`
	}) (*huma.StreamResponse, error) {
		text, etag, err := s.encoded.encode(s.opt.Reports.Report(), in.Version)
		if err != nil {
			return nil, huma.Error500InternalServerError("the report cannot be written", err)
		}
		return &huma.StreamResponse{Body: func(ctx huma.Context) {
			ctx.SetHeader("ETag", etag)
			ctx.SetHeader("Cache-Control", "no-cache")
			if matches(in.IfNoneMatch, etag) {
				ctx.SetStatus(http.StatusNotModified)
				return
			}
			ctx.SetHeader("Content-Type", "application/json")
			_, _ = ctx.BodyWriter().Write(text)
		}}, nil
	})
	read(api, "list-devices", "/devices", "Units on the networks and lines, each once", "boat", func(_ context.Context, in *struct {
		Network string `query:"network" maxLength:"64"`
		State   string `query:"state" enum:"present,silent,gone,no-address,provisional"`
		Role    string `query:"role" maxLength:"32"`
	}) ([]report.Device, error) {
		role, ok := boat.ParseRole(in.Role)
		if in.Role != "" && !ok {
			return nil, huma.Error422UnprocessableEntity(fmt.Sprintf("role: %q is unknown: use a role of the report, such as display or radio", in.Role))
		}
		list := []report.Device{}
		for i, r := 0, s.opt.Reports.Report(); i < len(r.Units); i++ {
			d := r.Units[i].Device
			if r.Units[i].Known() && (in.Network == "" || in.Network == d.Network) && (in.State == "" || in.State == string(d.State)) && (in.Role == "" || role == d.Role) {
				list = append(list, d)
			}
		}
		return list, nil
	}, 422)
	read(api, "get-device", "/devices/{id}", "One device", "boat", func(_ context.Context, in *struct {
		ID string `path:"id" maxLength:"100" doc:"NAME as 16 hex digits; network/address for a provisional device; network/letters for an NMEA 0183 talker that reports its identity."`
	}) (*report.Device, error) {
		r := s.opt.Reports.Report()
		d := r.Device(in.ID)
		if d == nil {
			return nil, huma.Error404NotFound(fmt.Sprintf("no device has the id %q: %s/devices lists them", in.ID, Prefix))
		}
		return d, nil
	}, 404, 422)
	read(api, "list-alerts", "/alerts", "Alerts, worst first", "alerts", func(_ context.Context, in *struct {
		State    string `query:"state" enum:"open,acknowledged,cleared"`
		Severity string `query:"severity" enum:"info,warning,critical"`
		Device   string `query:"device" maxLength:"100"`
	}) ([]alert.Alert, error) {
		list := slices.DeleteFunc(render.SortedAlerts(s.opt.Reports.Report()), func(a alert.Alert) bool {
			return in.State != "" && in.State != string(a.State) || in.Severity != "" && in.Severity != string(a.Severity) ||
				in.Device != "" && !slices.Contains(a.Devices, in.Device)
		})
		return list, nil
	}, 422)
	read(api, "list-networks", "/networks", "Networks with their load over the last hours", "boat", func(context.Context, *struct{}) ([]NetworkState, error) {
		list := []NetworkState{}
		for _, n := range s.opt.Reports.Report().Networks {
			list = append(list, NetworkState{n, s.history.of(n.ID)})
		}
		return list, nil
	})
}

// NetworkState is a network with its load over the last hours.
type NetworkState struct {
	report.Network
	Minutes []Minute `json:"minutes" doc:"Up to six hours, oldest first."`
}

// Minute is one minute of a network.
type Minute struct {
	At     event.Time `json:"at"` // start of the minute
	Load   float64    `json:"load" doc:"Share of the bit rate in use, 0 to 1."`
	Faults uint64     `json:"faults,omitempty"`
}

// By is the person who acts.
type By struct {
	By string `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person who acts."`
}

func (s *Server) addActing(api huma.API) {
	post := func(id, method, route, summary, tag string, status int, errs ...int) huma.Operation {
		return huma.Operation{OperationID: id, Method: method, Path: Prefix + route, Summary: summary, Tags: []string{tag}, DefaultStatus: status,
			MaxBodyBytes: BodyLimit, BodyReadTimeout: s.opt.bodyWithin, Errors: append([]int{401, 403, 422, 501, 503}, errs...)}
	}
	huma.Register(api, post("acknowledge-alert", http.MethodPost, "/alerts/{id}/acknowledge", "Acknowledge an alert", "alerts", 204, 404, 413),
		func(ctx context.Context, in *struct {
			ID   string `path:"id" maxLength:"300"`
			Body By
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.Acknowledge(ctx, in.ID, strings.TrimSpace(in.Body.By)))
		})
	huma.Register(api, post("undo-acknowledge", http.MethodDelete, "/alerts/{id}/acknowledge",
		"Take back the acknowledgement of an alert", "alerts", 204, 404),
		func(ctx context.Context, in *struct {
			ID string `path:"id" maxLength:"300"`
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.Unacknowledge(ctx, in.ID))
		})
	read(api, "list-manual-devices", "/manual-devices", "Devices entered by hand", "work", func(context.Context, *struct{}) ([]boat.Manual, error) {
		return append([]boat.Manual{}, s.opt.Reports.Report().Manual...), nil
	})
	answering(api, post("add-manual-device", http.MethodPost, "/manual-devices", "Add a device that is not on any network", "work", 201, 409, 413),
		func(ctx context.Context, in *struct{ Body ManualEntry }) (boat.Manual, error) {
			m, err := in.Body.Manual()
			if err == nil {
				m, err = s.opt.Desk.AddManual(ctx, m)
			}
			return m, problem(err)
		})
	huma.Register(api, post("remove-manual-device", http.MethodDelete, "/manual-devices/{id}", "Remove a device entered by hand", "work", 204, 404),
		func(ctx context.Context, in *struct {
			ID string `path:"id" maxLength:"64"`
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.RemoveManual(ctx, in.ID))
		})
	s.addUnits(api, post)
	s.addOrders(api)
	s.addJobs(api, post)
	s.addSilences(api, post)
}

// ManualEntry is a device that is not on any network, as a person enters it.
type ManualEntry struct {
	Role         string `json:"role,omitempty" maxLength:"32"`
	Manufacturer string `json:"manufacturer,omitempty" maxLength:"80"`
	Model        string `json:"model" minLength:"1" maxLength:"80"`
	Serial       string `json:"serial,omitempty" maxLength:"80"`
	Software     string `json:"software,omitempty" maxLength:"80"`
	Place        string `json:"place,omitempty" maxLength:"80"`
	Note         string `json:"note,omitempty" maxLength:"400"`
	By           string `json:"by,omitempty" maxLength:"60"`
}

// Manual checks the entry beyond its schema.
func (e ManualEntry) Manual() (boat.Manual, error) {
	for _, p := range []*string{&e.Role, &e.Manufacturer, &e.Model, &e.Serial, &e.Software, &e.Place, &e.Note, &e.By} {
		*p = boat.Printable(strings.TrimSpace(*p))
	}
	if e.Model == "" {
		return boat.Manual{}, errors.New("model: missing: enter the model of the device")
	}
	role, ok := boat.ParseRole(cmp.Or(e.Role, string(boat.RoleOther)))
	if !ok {
		return boat.Manual{}, fmt.Errorf("role: %q is unknown: use a role of the report, such as display or radio", e.Role)
	}
	for _, v := range []string{e.Manufacturer, e.Model, e.Serial, e.Software, e.Place, e.Note, e.By} {
		if len(v) > 1600 {
			return boat.Manual{}, errors.New("a text is too long: the limit is 80 characters, 400 for the note")
		}
	}
	return boat.Manual{Role: role, Manufacturer: e.Manufacturer, Model: e.Model, Serial: e.Serial,
		Software: e.Software, Place: e.Place,
		Note: e.Note, By: e.By}, nil
}
