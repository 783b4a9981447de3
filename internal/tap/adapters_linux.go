package tap

import (
	"encoding/binary"
	"fmt"

	"github.com/mdlayher/netlink"
	"golang.org/x/sys/unix"
)

// controllerStates are those of linux/can/netlink.h, in its order and with the words of ip.
var controllerStates = []string{"error-active", "error-warning", "error-passive", "bus-off", "stopped", "sleeping"}

// CANInterfaces lists the interfaces that carry CAN, by netlink and by the sysfs at a path such as /sys.
func CANInterfaces(sysfs string) ([]CANInterface, error) {
	conn, err := netlink.Dial(unix.NETLINK_ROUTE, nil)
	if err != nil {
		return nil, fmt.Errorf("list interfaces: netlink: %w", err)
	}
	defer conn.Close()
	links, err := conn.Execute(netlink.Message{
		Header: netlink.Header{Type: unix.RTM_GETLINK, Flags: netlink.Request | netlink.Dump},
		Data:   make([]byte, unix.SizeofIfInfomsg),
	})
	if err != nil {
		return nil, fmt.Errorf("list interfaces: netlink: %w", err)
	}
	var all []CANInterface
	for _, m := range links {
		if c, ok := parseCANLink(m.Data); ok {
			c.device(sysfs)
			all = append(all, c)
		}
	}
	return all, nil
}

// parseCANLink reads an RTM_NEWLINK message; false for an interface that does not carry CAN.
func parseCANLink(b []byte) (c CANInterface, ok bool) {
	if len(b) < unix.SizeofIfInfomsg || binary.NativeEndian.Uint16(b[2:]) != unix.ARPHRD_CAN {
		return c, false
	}
	s, ok := parseLink(b)
	if !ok {
		return c, false
	}
	c.Up = binary.NativeEndian.Uint32(b[8:])&unix.IFF_UP != 0
	c.BitRate, c.Listen, c.RestartMS, c.Lost = s.bitRate, s.listen, s.timing.RestartMS, s.lost
	if s.hasState && int(s.state) < len(controllerStates) {
		c.State = controllerStates[s.state]
	}
	link, err := netlink.NewAttributeDecoder(b[unix.SizeofIfInfomsg:])
	if err != nil {
		return c, false
	}
	for link.Next() {
		switch link.Type() {
		case unix.IFLA_IFNAME:
			c.Name = link.String()
		case unix.IFLA_STATS64:
			if v := link.Bytes(); len(v) >= 8 {
				c.Frames = binary.NativeEndian.Uint64(v)
			}
		case unix.IFLA_LINKINFO:
			link.Nested(c.parseInfo)
		}
	}
	return c, link.Err() == nil && c.Name != ""
}

// parseInfo reads the kind of an interface, and the counters of its controller: struct can_device_stats of
// linux/can/netlink.h.
func (c *CANInterface) parseInfo(info *netlink.AttributeDecoder) error {
	for info.Next() {
		switch v := info.Bytes(); info.Type() {
		case unix.IFLA_INFO_KIND:
			c.Kind = info.String()
		case unix.IFLA_INFO_XSTATS:
			if len(v) >= 16 {
				c.BusErrors, c.BusOffs = binary.NativeEndian.Uint32(v), binary.NativeEndian.Uint32(v[12:])
			}
		}
	}
	return nil
}
