package tap

import (
	"encoding/binary"

	"github.com/mdlayher/netlink"
	"golang.org/x/sys/unix"

	"muster/internal/event"
)

// canState is what the kernel reports of a CAN interface.
type canState struct {
	hasState bool
	state    uint32 // linux/can/netlink.h: 0 active, 1 warning, 2 passive, 3 bus off, 4 stopped, 5 sleeping
	bitRate  uint32 // bit/s, 0 unknown
	listen   bool
	timing   event.Timing
	lost     uint64 // frames without room in the driver or the kernel, before any socket, since the interface was made
}

// linkState asks for the state of one interface. It only reads.
type linkState struct {
	conn  *netlink.Conn
	index int
}

func dialState(index int) (*linkState, error) {
	c, err := netlink.Dial(unix.NETLINK_ROUTE, nil)
	if err != nil {
		return nil, err
	}
	return &linkState{conn: c, index: index}, nil
}

func (s *linkState) close() error { return s.conn.Close() }

func (s *linkState) read() (canState, bool) {
	body := make([]byte, unix.SizeofIfInfomsg)
	binary.NativeEndian.PutUint32(body[4:], uint32(s.index))
	replies, err := s.conn.Execute(netlink.Message{
		Header: netlink.Header{Type: unix.RTM_GETLINK, Flags: netlink.Request},
		Data:   body,
	})
	if err != nil || len(replies) == 0 {
		return canState{}, false
	}
	return parseLink(replies[0].Data)
}

// parseLink finds the counters of an RTM_NEWLINK message, and its CAN part: IFLA_LINKINFO, in it IFLA_INFO_KIND "can" and IFLA_INFO_DATA.
func parseLink(b []byte) (s canState, ok bool) {
	// linux/if_link.h, linux/can/netlink.h
	const (
		infoKind, infoData                             = 1, 2
		canBitTiming, canStateOf, canModes, canRestart = 1, 4, 5, 6
		modeListenOnly                                 = 0x02
	)
	if len(b) < unix.SizeofIfInfomsg {
		return s, false
	}
	link, err := netlink.NewAttributeDecoder(b[unix.SizeofIfInfomsg:])
	if err != nil {
		return s, false
	}
	for link.Next() {
		if link.Type() == unix.IFLA_STATS64 {
			s.lost = lostFrames(link.Bytes())
		}
		if link.Type() != unix.IFLA_LINKINFO {
			continue
		}
		kind := ""
		link.Nested(func(info *netlink.AttributeDecoder) error {
			for info.Next() {
				switch info.Type() {
				case infoKind:
					kind = info.String()
				case infoData:
					if kind != "can" {
						continue
					}
					info.Nested(func(data *netlink.AttributeDecoder) error {
						for data.Next() {
							v := data.Bytes()
							switch {
							case data.Type() == canBitTiming && len(v) >= 8:
								s.bitRate, s.timing.SamplePoint = binary.NativeEndian.Uint32(v), binary.NativeEndian.Uint32(v[4:])
							case data.Type() == canRestart && len(v) >= 4:
								s.timing.RestartMS = binary.NativeEndian.Uint32(v)
							case data.Type() == canStateOf && len(v) >= 4:
								s.state, s.hasState = binary.NativeEndian.Uint32(v), true
							case data.Type() == canModes && len(v) >= 8: // mask, flags
								s.listen = binary.NativeEndian.Uint32(v[4:])&modeListenOnly != 0
							}
						}
						return nil
					})
				}
			}
			return nil
		})
	}
	return s, link.Err() == nil
}

// lostFrames adds the counters of struct rtnl_link_stats64 that each count received frames which were lost.
func lostFrames(stats []byte) (n uint64) {
	const dropped, overrun, missed = 6, 11, 15 // linux/if_link.h: numbers of eight bytes
	for _, i := range [...]int{dropped, overrun, missed} {
		if len(stats) >= 8*(i+1) {
			n += binary.NativeEndian.Uint64(stats[8*i:])
		}
	}
	return n
}
