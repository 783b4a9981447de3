package boat

import (
	"slices"
)

// roleOf finds what a device does aboard from its class and function (NMEA 2000 appendix B.6 as publicly listed); "" when they do not
// say. A function decides before its class does.
func roleOf(class, function uint8) Role {
	switch class {
	case 0:
		switch function {
		case 128, 129:
			return RoleEngine
		case 130:
			return RoleHead
		}
	case 10: // system tools
		return RoleTool
	case 20: // safety systems
		switch function {
		case 130, 135:
			return RoleRadio
		case 110:
			return RoleHead
		}
		return RoleOther
	case 25: // inter/intranetwork device
		return RoleGateway
	case 30: // electrical distribution
		return RolePower
	case 35: // electrical generation
		switch function {
		case 140, 180:
			return RoleEngine
		}
		return RolePower
	case 40: // steering and control surfaces
		switch function {
		case 130, 140, 150:
			return RoleAutopilot
		case 155:
			return RoleRudder
		case 160:
			return RoleHeading
		}
		return RoleDeck
	case 50: // propulsion
		switch function {
		case 141, 151:
			return RolePower
		case 190, 200, 210:
			return RoleHead
		}
		return RoleEngine
	case 60: // navigation
		switch function {
		case 130, 135, 136:
			return RoleDepth
		case 140, 160:
			return RoleHeading
		case 145, 150:
			return RolePosition
		case 155:
			return RoleDepth // speed through water comes from the same through-hull sensors
		case 170, 175, 190, 205, 210, 230:
			return RoleHead
		case 195:
			return RoleAIS
		case 200:
			return RoleRadar
		case 220:
			return RoleRadio
		}
		return RoleOther
	case 70: // communication
		if function == 140 {
			return RoleAIS
		}
		return RoleRadio
	case 75: // sensor communication interface
		switch function {
		case 150, 160:
			return RoleTank
		}
		return RoleEnvironment
	case 80: // instrumentation/general systems
		switch function {
		case 150, 160:
			return RoleHead
		case 180:
			return RoleWind
		case 200:
			return RoleGateway
		}
		return RoleOther
	case 85: // external environment
		if function == 160 {
			return RoleEnvironment
		}
		return RoleWind // atmospheric: wind sensors and weather stations
	case 90: // internal environment
		return RoleEnvironment
	case 100, 110: // deck, cargo and fishing equipment; human interface
		return RoleDeck
	case 120: // display
		return RoleHead
	case 125: // entertainment
		return RoleEntertainment
	}
	return ""
}

// telltales are messages that give a role away, the most telling first. A device whose NAME says nothing has the role of the first one
// that it sends; the order puts what only the real source sends before what displays and gateways repeat.
var telltales = []struct {
	role Role
	pgns []uint32
}{
	{RoleAIS, []uint32{129038, 129039, 129040, 129041, 129793, 129794, 129798, 129809, 129810}},
	{RoleRadar, []uint32{128520}},
	{RoleAutopilot, []uint32{127237}},
	{RoleEngine, []uint32{127488, 127489, 127493, 127490, 127497, 127498}},
	{RolePosition, []uint32{129539, 129540, 129029, 129025}},
	{RoleRudder, []uint32{127245}},
	{RoleHeading, []uint32{127250, 127251, 127257}},
	{RoleDepth, []uint32{128267, 128259}},
	{RoleWind, []uint32{130306}},
	{RoleTank, []uint32{127505}},
	{RolePower, []uint32{127508, 127506, 127507, 127509, 127513, 127503, 127504, 127501, 127750, 127751}},
	{RoleRadio, []uint32{129808, 129799}},
	{RoleEntertainment, []uint32{130569, 130570, 130573, 130574}},
	{RoleDeck, []uint32{128776, 128777, 128778, 130576}},
	{RoleEnvironment, []uint32{130310, 130311, 130312, 130313, 130314, 130316}},
	{RoleHead, []uint32{129283, 129284, 129285}},
}

// role is the device's role: by its NAME, else by what it sends.
func (d *device) role() Role {
	if d.named {
		n := d.sender.NAME
		if r := roleOf(n.DeviceClass(), n.DeviceFunction()); r != "" && r != RoleOther {
			return r
		}
	}
	for i := range telltales {
		for _, number := range telltales[i].pgns {
			_, sends := slices.BinarySearchFunc(d.streams, number, func(s *stream, n uint32) int { return int(s.pgn) - int(n) })
			if sends {
				return telltales[i].role
			}
		}
	}
	if d.named {
		return RoleOther
	}
	return ""
}
