package boat

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// Outcome is how a command was answered.
type Outcome string

// The outcomes. A command without one was not answered.
const (
	Accepted Outcome = "accepted"
	Refused  Outcome = "refused"
)

// RemoteSetting is a setting that one device changed, or tried to, on another over the network.
type RemoteSetting struct {
	At          event.Time `json:"at,omitzero"`
	Network     string     `json:"network"`
	From        string     `json:"from"` // id of the device that sent it
	FromAddress uint8      `json:"from_address"`
	To          string     `json:"to,omitempty"` // id of the device that it was sent to; absent when sent to all
	ToAddress   uint8      `json:"to_address"`   // 255 for all
	PGN         uint32     `json:"pgn"`          // whose settings: 60928 for instances, 65240 for a commanded address
	What        string     `json:"what"`         // the message and the values, in words
	Outcome     Outcome    `json:"outcome,omitempty"`
	Why         string     `json:"why,omitempty"` // why it was refused
}

const (
	maxCommands = 64               // kept of one network; the latest
	answerTime  = 10 * time.Second // in which an answer belongs to a command

	pgnAddress = 65240
	pgnGroup   = 126208
)

// Function codes of a group function (PGN 126208).
const (
	groupCommand    = 1
	groupAnswer     = 2
	groupWrite      = 5
	groupWriteReply = 6
)

// group takes a group function: a command, or the answer to one.
func (n *network) group(m *transport.Message, d *device) {
	if len(m.Data) < 6 {
		n.faults.InvalidMessages++
		return
	}
	number := uint32(m.Data[1]) | uint32(m.Data[2])<<8 | uint32(m.Data[3])<<16
	switch m.Data[0] {
	case groupCommand, groupWrite:
		c := n.command(m, d)
		c.PGN, c.What = number, groupWords(number, m.Data)
		if to := n.commanded(m.Destination); to != nil {
			c.To = to.sender.ID
		}
	case groupAnswer:
		if c := n.pending(m, d, number); c != nil {
			if c.Why = refusal(m.Data); c.Why != "" {
				c.Outcome = Refused
			} else {
				c.Outcome = Accepted
			}
		}
	case groupWriteReply:
		if c := n.pending(m, d, number); c != nil {
			c.Outcome = Accepted
		}
	}
}

// commandAddress takes a commanded address: the device of a NAME shall take an address.
func (n *network) commandAddress(m *transport.Message, d *device) {
	name, ok := pgn.DecodeNAME(m.Data)
	if !ok || len(m.Data) < 9 {
		n.faults.InvalidMessages++
		return
	}
	c := n.command(m, d)
	c.PGN, c.To, c.What = pgnAddress, name.String(), takeAddress(m.Data[8])
	if to := n.byName[name]; to != nil {
		c.ToAddress = to.address
	}
}

// command keeps one more command of d.
func (n *network) command(m *transport.Message, d *device) *RemoteSetting {
	n.commands = lastOf(append(n.commands, &RemoteSetting{
		At: m.Time, Network: n.info.ID, From: d.sender.ID, FromAddress: d.address, ToAddress: m.Destination,
	}), maxCommands)
	return n.commands[len(n.commands)-1]
}

// commanded is the device at an address, nil when none is there.
func (n *network) commanded(address uint8) *device {
	if address >= pgn.Null {
		return nil
	}
	return n.byAddress[address]
}

// pending is the latest command that a message of d can answer.
func (n *network) pending(m *transport.Message, d *device, number uint32) *RemoteSetting {
	for _, c := range slices.Backward(n.commands) {
		if c.Outcome == "" && c.PGN == number && c.ToAddress == d.address && c.FromAddress == m.Destination &&
			m.Time.Sub(c.At) <= answerTime {
			return c
		}
	}
	return nil
}

// refuse notes that a device does not take group functions at all.
func (n *network) refuse(m *transport.Message, d *device) {
	for _, c := range slices.Backward(n.commands) {
		if c.Outcome == "" && c.PGN != pgnAddress && c.ToAddress == d.address && m.Time.Sub(c.At) <= answerTime {
			c.Outcome, c.Why = Refused, "it does not support group functions"
			return
		}
	}
}

// tookAddress notes that a device claimed the address that it was commanded to take.
func (n *network) tookAddress(d *device, src uint8, t event.Time) {
	for _, c := range slices.Backward(n.commands) {
		if c.PGN == pgnAddress && c.Outcome == "" && c.To == d.sender.ID && t.Sub(c.At) <= answerTime && c.What == takeAddress(src) {
			c.Outcome = Accepted
			return
		}
	}
}

func takeAddress(address uint8) string { return fmt.Sprintf("take source address %d", address) }

// groupWords describes what a command sets: "ISO Address Claim: Device instance lower 3".
func groupWords(number uint32, data []byte) string {
	words := fmt.Sprintf("PGN %d", number)
	if def := pgn.Lookup(number); def != nil {
		words = def.Title
	}
	values, _ := pgn.Lookup(pgnGroup).Decode(data, nil) // what could be read
	var set []string
	for i := range values {
		v := &values[i]
		if v.Of != nil && v.Field.Name == "Value" {
			set = append(set, v.Of.Name+" "+v.String())
		}
	}
	if len(set) > 0 {
		words += ": " + strings.Join(set, ", ")
	}
	return Printable(words)
}

// refusal is the first error that an acknowledgment gives, "" when it gives none.
func refusal(data []byte) string {
	values, _ := pgn.Lookup(pgnGroup).Decode(data, nil)
	for i := range values {
		v := &values[i]
		if strings.HasSuffix(v.Field.Name, " error") && v.Raw != 0 && v.State == pgn.Available {
			return strings.ToLower(v.String())
		}
	}
	return ""
}

// reportCommands lists the commands of the network, oldest first.
func (n *network) reportCommands() []RemoteSetting {
	var list []RemoteSetting
	for _, c := range n.commands {
		list = append(list, *c)
	}
	return list
}
