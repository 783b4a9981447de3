package daemon

import (
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	outside "muster/internal/input"
	"muster/internal/report"
	"muster/internal/store"
)

// Message is what a webhook receives for each change of an alert. Its id grows; a receiver that sees an id twice, as
// after a power cut between sending and noting that it was sent, can drop the second.
type Message struct {
	Schema string `json:"schema"`
	alert.Change
	// Where the times come from, as of the change: those of a clock that was not set only keep the order.
	Clock boat.Clock    `json:"clock,omitempty"`
	Boat  boat.Identity `json:"boat"`
}

const messageSchema = "muster.alert-change/v1"

// MessageSchema is the JSON Schema (draft 2020-12) of a Message.
//
//go:embed alert-change.schema.json
var MessageSchema []byte

// noted is a change with the clock that was its time.
type noted struct {
	alert.Change
	clock boat.Clock
}

// idHeader carries the number of a message.
const idHeader = "Muster-Message-Id"

// Times of delivering.
const (
	deliverWithin = 15 * time.Second // one request
	firstRetry    = time.Second
	lastRetry     = 5 * time.Minute
	resendEvery   = time.Minute // open alerts to an Alertmanager, which forgets those not repeated
)

// notifier notifies one target. Its counters may be read from anywhere.
type notifier struct {
	notifiers *notifiers
	target    config.Target
	log       zerolog.Logger
	client    *http.Client
	pending   chan struct{}
	stop      context.CancelFunc
	first     time.Duration // wait after the first failure
	firing    map[string]amAlert
	delay     prometheus.Observer

	sent, failed, refused atomic.Uint64
	down                  atomic.Bool
}

func (o *notifiers) newNotifier(t config.Target) *notifier {
	transport := &http.Transport{Proxy: http.ProxyFromEnvironment, MaxIdleConns: 1, IdleConnTimeout: 30 * time.Second}
	return &notifier{notifiers: o, target: t, log: o.log.With().Str("target", t.Key()).Logger(),
		pending: make(chan struct{}, 1), client: &http.Client{Timeout: deliverWithin, Transport: transport},
		first: cmp.Or(o.firstRetry, firstRetry), firing: map[string]amAlert{}, delay: o.delay.WithLabelValues(t.Key())}
}

// wake signals that there is something to send.
func (t *notifier) wake() {
	select {
	case t.pending <- struct{}{}:
	default:
	}
}

// accepts reports whether the target is notified of an alert of this severity.
func accepts(t *config.Target, s check.Severity) bool {
	return s.Rank() >= max(t.MinSeverity.Rank(), check.Info.Rank())
}

// run delivers until ctx ends.
func (t *notifier) run(ctx context.Context) {
	defer t.client.CloseIdleConnections()
	resend := time.NewTicker(resendEvery)
	defer resend.Stop()
	retry := time.Duration(0) // 0: the last time succeeded
	for t.waits(ctx, resend.C, retry) {
		send := t.postChanges
		if t.target.Alertmanager != "" {
			send = t.postOpen
		}
		err := send(ctx)
		if ctx.Err() != nil {
			return
		}
		t.noteOutcome(err)
		switch {
		case err == nil:
			retry = 0
		case retry == 0:
			retry = t.first
		default:
			retry = min(2*retry, lastRetry)
		}
	}
}

// waits until there is something to send, or until it is time to try again; false when ctx ended first.
func (t *notifier) waits(ctx context.Context, resend <-chan time.Time, retry time.Duration) bool {
	pending, again := t.pending, (<-chan time.Time)(nil)
	if retry > 0 {
		pending, resend, again = nil, nil, time.After(retry)
	}
	select {
	case <-pending:
	case <-resend:
	case <-again:
	case <-ctx.Done():
		return false
	}
	return true
}

// noteOutcome logs when the target can no longer be notified, and when it can again.
func (t *notifier) noteOutcome(err error) {
	down := err != nil
	if down == t.down.Swap(down) {
		return
	}
	if down {
		t.log.Warn().Err(err).Msg("alert delivery failed; retrying")
	} else {
		t.log.Info().Msg("alert delivery works again")
	}
}

// delivered takes a change off the queue.
func (t *notifier) delivered(it store.Item) {
	t.notifiers.keeper.store.Delivered(t.target.Key(), it.ID)
	if waited := t.notifiers.now().Sub(it.Queued); !it.Queued.IsZero() && waited >= 0 {
		t.delay.Observe(waited.Seconds())
	}
}

// postChanges sends what waits, in order, each until it is taken.
func (t *notifier) postChanges(ctx context.Context) error {
	for {
		items := t.notifiers.keeper.store.Waiting(t.target.Key(), 20)
		if len(items) == 0 {
			return nil
		}
		for _, it := range items {
			if err := t.post(ctx, t.target.Webhook, it); err != nil {
				return err
			}
			t.delivered(it)
		}
		t.notifiers.keeper.write()
	}
}

// refusal is an answer that will not change however often the same is sent.
type refusal struct{ status string }

func (r *refusal) Error() string { return "refused: " + r.status }

// post sends one message. A message that the receiver calls malformed is given up, so that it does not hold back the
// others; whatever may be repaired at the other end is tried again.
func (t *notifier) post(ctx context.Context, url string, it store.Item) error {
	err := t.request(ctx, url, it.Body, it.ID)
	var no *refusal
	if errors.As(err, &no) {
		t.refused.Add(1)
		t.log.Error().Err(err).Uint64("message", it.ID).Msg("given up")
		return nil
	}
	return err
}

func (t *notifier) request(ctx context.Context, url string, body []byte, id uint64) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("send alerts: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "muster/"+t.notifiers.version)
	if id > 0 {
		req.Header.Set(idHeader, strconv.FormatUint(id, 10))
	}
	if t.target.Token != "" {
		req.Header.Set("Authorization", "Bearer "+t.target.Token)
	}
	resp, err := t.client.Do(req)
	if err != nil {
		t.failed.Add(1)
		return fmt.Errorf("send alerts: %w", err)
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	switch {
	case resp.StatusCode < 300:
		t.sent.Add(1)
		return nil
	case resp.StatusCode == http.StatusBadRequest, resp.StatusCode == http.StatusRequestEntityTooLarge,
		resp.StatusCode == http.StatusUnprocessableEntity:
		return &refusal{resp.Status}
	}
	t.failed.Add(1)
	return fmt.Errorf("send alerts: %s answered %s", req.URL.Host, resp.Status)
}

// amAlert is one alert as Alertmanager's API v2 takes it (its published OpenAPI description).
type amAlert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt,omitzero"`
	EndsAt      time.Time         `json:"endsAt,omitzero"`
	Generator   string            `json:"generatorURL,omitempty"`
}

// postOpen sends the changes that wait, each once and in order, so that an alert which came and went while the target
// did not answer is sent too; then the open alerts, and the end of those that were open when last sent: an
// Alertmanager forgets what is not repeated.
func (t *notifier) postOpen(ctx context.Context) error {
	for {
		items := t.notifiers.keeper.store.Waiting(t.target.Key(), 20)
		if len(items) == 0 {
			return t.postStanding(ctx)
		}
		for _, it := range items {
			if err := t.postChange(ctx, it); err != nil {
				return err
			}
			t.delivered(it)
		}
		t.notifiers.keeper.write()
	}
}

// postChange sends an Alertmanager one change. One that it calls malformed is given up.
func (t *notifier) postChange(ctx context.Context, it store.Item) error {
	var m Message
	if err := outside.OpenJSON(ctx, "", it.Body, &m); err != nil {
		t.log.Error().Err(err).Uint64("message", it.ID).Msg("cannot be read; given up")
		return nil
	}
	a := &m.Alert
	am := toAlertmanager(&report.Report{Boat: m.Boat}, a)
	am.Generator = t.notifiers.url()
	key, now := openKey(a), t.notifiers.now()
	switch m.Kind {
	case alert.Raised, alert.Unsilenced, alert.Regraded:
		t.firing[key] = am
		am.EndsAt = known(now.Add(4 * resendEvery))
	case alert.Cleared:
		delete(t.firing, key)
		if am.EndsAt = known(a.Until.UTC()); am.EndsAt.IsZero() {
			am.EndsAt = known(now) // it ended by a clock that was not set
		}
		if am.EndsAt.IsZero() {
			return nil // no moment can be named: it runs out by itself
		}
	default:
		return nil // it has no acknowledgement
	}
	return t.postAlerts(ctx, []amAlert{am})
}

func openKey(a *alert.Alert) string { return string(a.Severity) + " " + a.ID }

// known leaves out a moment that only a clock which is not set can show.
func known(at time.Time) time.Time {
	if event.At(at) < event.ClockSet {
		return time.Time{}
	}
	return at.UTC()
}

func (t *notifier) postAlerts(ctx context.Context, list []amAlert) error {
	body, err := json.Marshal(list)
	if err != nil {
		return fmt.Errorf("send alerts: %w", err)
	}
	err = t.request(ctx, strings.TrimSuffix(t.target.Alertmanager, "/")+"/api/v2/alerts", body, 0)
	var no *refusal
	if errors.As(err, &no) {
		t.refused.Add(1)
		t.log.Error().Err(err).Msg("given up")
		return nil
	}
	return err
}

// postStanding sends the open alerts, and the end of those that were open.
func (t *notifier) postStanding(ctx context.Context) error {
	now := t.notifiers.now()
	r := t.notifiers.report()
	firing := map[string]amAlert{}
	var list []amAlert
	for i := range r.Alerts {
		a := &r.Alerts[i]
		if a.State == alert.StatusCleared || a.SilencedUntil != 0 || a.Accepted != "" || !accepts(&t.target, a.Severity) {
			continue
		}
		am := toAlertmanager(r, a)
		am.Generator = t.notifiers.url()
		am.EndsAt = known(now.Add(4 * resendEvery))
		firing[openKey(a)] = am
		list = append(list, am)
	}
	for key, am := range t.firing {
		if _, stands := firing[key]; !stands {
			if am.EndsAt = known(now); !am.EndsAt.IsZero() {
				list = append(list, am)
			}
		}
	}
	if len(list) > 0 {
		if err := t.postAlerts(ctx, list); err != nil {
			return err
		}
	}
	t.firing = firing
	return nil
}

func toAlertmanager(r *report.Report, a *alert.Alert) amAlert {
	am := amAlert{StartsAt: known(a.Since.UTC()), Annotations: map[string]string{"summary": boat.Printable(a.Summary)},
		Labels: map[string]string{"alertname": a.Check, "alert": a.ID, "severity": string(a.Severity), "job": "muster"}}
	if a.Remedy != "" {
		am.Annotations["remedy"] = a.Remedy
	}
	if id := cmp.Or(r.Boat.ID, r.Boat.Name); id != "" {
		am.Labels["boat"] = id
	}
	if a.Network != "" {
		am.Labels["network"] = a.Network
	}
	if len(a.Devices) == 1 {
		am.Labels["device"] = a.Devices[0]
	}
	return am
}
