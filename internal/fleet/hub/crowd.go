package hub

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"muster/internal/fleet/trust"
	"muster/internal/input"
)

// boatConnections is how many connections a boat may have at once. It uses one; a server takes minutes to give up those that a lost
// link left behind.
const boatConnections = 4

// warnEvery is how often a boat with too many connections is logged.
const warnEvery = time.Minute

// connection is one of a boat's, at the server that has it.
type connection struct {
	server string
	id     uint64
}

// crowd is the connections that are open, oldest first, by the key of the boat's user. It is used by one goroutine.
type crowd map[string][]connection

// opened returns the connection that has to end for the new one, the oldest.
func (c crowd) opened(user string, at connection) (end connection, over bool) {
	c[user] = append(c[user], at)
	if len(c[user]) > boatConnections {
		end, c[user] = c[user][0], c[user][1:]
		return end, true
	}
	return connection{}, false
}

func (c crowd) closed(user string, at connection) {
	for i, x := range c[user] {
		if x == at {
			c[user] = append(c[user][:i:i], c[user][i+1:]...)
		}
	}
	if len(c[user]) == 0 {
		delete(c, user)
	}
}

// changed is a server's event about a connection, as far as it is of interest here.
type changed struct {
	Server struct {
		ID string `json:"id"`
	} `json:"server"`
	Client struct {
		ID   uint64 `json:"id"`
		User string `json:"user"`
	} `json:"client"`
}

// boatOf is the boat that has a key; the key itself when none has.
func boatOf(t *trust.Trust, key string) string {
	list, _, _ := t.Boats()
	for _, e := range list {
		if e.Key == key {
			return e.Boat
		}
	}
	return key
}

// KeepFew ends the oldest connection of a boat that opens too many, so that none takes those of the others. It works until ctx ends.
// system is a connection of the system account. Servers older than 2.10 end none.
func (h *Hub) KeepFew(ctx context.Context, t *trust.Trust, system *nats.Conn) error {
	p, err := t.Papers()
	if err != nil {
		return fmt.Errorf("connections of boats: %w", err)
	}
	events, err := system.SubscribeSync("$SYS.ACCOUNT." + p.Boats.Key + ".*")
	if err != nil {
		return fmt.Errorf("connections of boats: %w", err)
	}
	defer func() { _ = events.Unsubscribe() }()
	open, warned := crowd{}, map[string]time.Time{}
	for {
		m, err := events.NextMsgWithContext(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil { // events that were lost: what is open is known again as connections end
			h.opt.Log.Warn().Err(err).Msg("events of the message server were lost")
			pause(ctx, retryAfter)
			continue
		}
		var e changed
		if err := input.OpenJSON(ctx, "", m.Data, &e); err != nil {
			h.opt.Log.Warn().Err(err).Msg("an event of the message server cannot be read")
			continue
		}
		at := connection{e.Server.ID, e.Client.ID}
		switch {
		case strings.HasSuffix(m.Subject, ".DISCONNECT"):
			open.closed(e.Client.User, at)
		case strings.HasSuffix(m.Subject, ".CONNECT"):
			end, over := open.opened(e.Client.User, at)
			if !over {
				continue
			}
			boat := boatOf(t, e.Client.User)
			if err := system.PublishRequest("$SYS.REQ.SERVER."+end.server+".KICK", system.NewRespInbox(), fmt.Appendf(nil, `{"cid":%d}`, end.id)); err != nil {
				h.opt.Log.Error().Err(err).Str("boat", boat).Msg("a connection too many cannot be ended")
			}
			if time.Since(warned[boat]) > warnEvery {
				warned[boat] = time.Now()
				h.opt.Log.Warn().Str("boat", boat).Int("most", boatConnections).
					Msg("the boat misbehaves: it opens too many connections, and its oldest are ended")
			}
		}
	}
}
