package node

import (
	"encoding/binary"
	"slices"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Codes of a group function (PGN 126208).
const (
	groupRequest     = 0
	groupCommand     = 1
	groupAcknowledge = 2
	groupRead        = 3
	groupWrite       = 5
)

// Error codes in an acknowledgment of a group function: of the message, of its interval or priority, of one parameter.
const (
	msgOK, msgUnknown, msgUnsupported, msgDenied, msgNoReadWrite = 0, 1, 4, 3, 6

	intervalOK, intervalUnsupported, intervalDenied = 0, 1, 3

	paramOK, paramInvalid, paramRange, paramDenied, paramUnsupported = 0, 1, 3, 4, 5
)

// Interval values with a meaning of their own.
const (
	intervalKeep    = 0xFFFFFFFF
	intervalDefault = 0xFFFFFFFE
)

// group handles a group function. Those sent to everybody are answered only when they ask for something that can be given.
func (n *Node) group(now event.Time, p []byte, src, dst uint8) {
	if n.state != Claimed {
		return
	}
	if len(p) < 4 {
		n.stats.Malformed++
		return
	}
	number := uint32(p[1]) | uint32(p[2])<<8 | uint32(p[3])<<16
	switch p[0] {
	case groupRequest:
		n.groupRequest(now, number, p, src, dst)
	case groupCommand:
		if dst != pgn.Global {
			n.groupCommand(now, number, p, src)
		}
	case groupRead, groupWrite:
		if dst != pgn.Global {
			n.refuse(now, src, number, msgNoReadWrite, intervalOK, nil)
		}
	}
}

// canSend reports whether the node can send a message.
func (n *Node) canSend(number uint32) bool {
	switch number {
	case pgnProduct:
		return n.opts.Product.Model != ""
	case pgnHeartbeat:
		return n.opts.Heartbeat > 0
	case pgnClaim, pgnConfig, pgnList:
		return true
	}
	return slices.Contains(n.opts.Transmits, number)
}

func (n *Node) groupRequest(now event.Time, number uint32, p []byte, src, dst uint8) {
	if len(p) < 11 {
		n.stats.Malformed++
		return
	}
	if slices.Contains(n.opts.Faults.Ignore, number) {
		return
	}
	interval, pairs := binary.LittleEndian.Uint32(p[4:]), int(p[10])
	msgError, intervalError, params := msgOK, intervalOK, []byte(nil)
	switch {
	case !n.canSend(number):
		msgError = msgUnknown
	case pairs > 0: // choosing among several by the value of a field
		params = slices.Repeat([]byte{paramUnsupported}, pairs)
	case interval == intervalKeep:
		if !n.answer(now, number, dst) {
			msgError = msgUnsupported
		}
	case number == pgnHeartbeat && n.opts.Commandable && (interval == intervalDefault || interval >= 1000 && interval <= 65532):
		if interval == intervalDefault {
			interval = 60000
		}
		n.opts.Heartbeat = time.Duration(interval) * time.Millisecond
		n.beatAt = now.Add(n.opts.Heartbeat)
		n.reply(now, src, number, msgOK, intervalOK, nil)
		return
	case n.opts.Commandable || number != pgnHeartbeat:
		intervalError = intervalUnsupported
	default:
		intervalError = intervalDenied
	}
	if dst != pgn.Global && (msgError != msgOK || intervalError != intervalOK || params != nil) {
		n.refuse(now, src, number, msgError, intervalError, params)
	}
}

// groupCommand handles a command: only instances and descriptions can be commanded, and only where the options allow it.
func (n *Node) groupCommand(now event.Time, number uint32, p []byte, src uint8) {
	if len(p) < 6 {
		n.stats.Malformed++
		return
	}
	pairs, rest := int(p[5]), p[6:]
	if !n.canSend(number) {
		n.refuse(now, src, number, msgUnknown, intervalOK, nil)
		return
	}
	if number != pgnClaim && number != pgnConfig {
		n.refuse(now, src, number, msgUnsupported, intervalOK, nil)
		return
	}
	name, inst := n.opts.Name.Fields(), n.opts.Installation
	params, failed := make([]byte, 0, pairs), false
	for range pairs {
		if len(rest) < 2 {
			n.stats.Malformed++
			return
		}
		field, result, used := rest[0], byte(paramOK), 2
		switch {
		case number == pgnClaim:
			result = setInstance(&name, field, rest[1])
		case len(rest) < 1+int(rest[1]) || rest[1] < 2:
			n.stats.Malformed++
			return
		default:
			text := rest[1 : 1+rest[1]]
			used = 1 + len(text)
			result = setDescription(&inst, field, text)
		}
		if result == paramOK && !n.opts.Commandable {
			result = paramDenied
		}
		failed = failed || result != paramOK
		params = append(params, result)
		rest = rest[used:]
	}
	switch {
	case !n.opts.Commandable:
		n.refuse(now, src, number, msgDenied, intervalOK, params)
		return
	case failed: // all or nothing
		n.refuse(now, src, number, msgOK, intervalOK, params)
		return
	}
	n.reply(now, src, number, msgOK, intervalOK, params)
	n.opts.Installation = inst
	if changed := name.NAME(); changed != n.opts.Name {
		n.opts.Name = changed
		n.claim(now, n.addr)
	}
	if n.opts.Changed != nil {
		n.opts.Changed(now)
	}
}

// setInstance changes one of the fields of an address claim that hold an instance.
func setInstance(name *pgn.NameFields, field, value byte) byte {
	switch {
	case field < 1 || field > 10:
		return paramInvalid
	case field == 3 && value < 8:
		name.DeviceInstance = name.DeviceInstance&^7 | value
	case field == 4 && value < 32:
		name.DeviceInstance = name.DeviceInstance&7 | value<<3
	case field == 8 && value < 16:
		name.SystemInstance = value
	case field == 3 || field == 4 || field == 8:
		return paramRange
	default:
		return paramUnsupported
	}
	return paramOK
}

// setDescription changes one of the two installation descriptions; text is a variable string with its header.
func setDescription(inst *pgn.ConfigurationInformation, field byte, text []byte) byte {
	switch {
	case field < 1 || field > 3:
		return paramInvalid
	case field == 3:
		return paramUnsupported
	case text[1] != 1 || len(text)-2 > 70:
		return paramRange
	case field == 1:
		inst.Installation1 = string(text[2:])
	default:
		inst.Installation2 = string(text[2:])
	}
	return paramOK
}

func (n *Node) refuse(now event.Time, dst uint8, number uint32, msgError, intervalError int, params []byte) {
	n.stats.Refused++
	n.reply(now, dst, number, msgError, intervalError, params)
}

// reply acknowledges a group function.
func (n *Node) reply(now event.Time, dst uint8, number uint32, msgError, intervalError int, params []byte) {
	if dst > 253 {
		return
	}
	if !n.answers.take(now, 2) {
		n.stats.Withheld++
		return
	}
	n.buf = append(n.buf[:0], groupAcknowledge, byte(number), byte(number>>8), byte(number>>16),
		byte(msgError|intervalError<<4), byte(len(params)))
	for i, e := range params {
		if i%2 == 0 {
			n.buf = append(n.buf, 0xF0|e)
		} else {
			n.buf[len(n.buf)-1] = n.buf[len(n.buf)-1]&0x0F | e<<4
		}
	}
	n.emitFast(3, pgnGroup, dst, n.buf)
}
