package boat

import "slices"

// kind is a device class and a function of it.
type kind struct{ class, function uint8 }

// rest represents the functions of a class that have no row of their own.
const rest = 255

// roles are what devices do aboard, by class and function (NMEA 2000 appendix B.6 as publicly listed).
var roles = map[kind]Role{
	{0, 128}: RoleEngine, {0, 129}: RoleEngine, {0, 130}: RoleDisplay,
	{10, rest}: RoleTool,                                                                      // system tools
	{20, rest}: RoleOther, {20, 110}: RoleDisplay, {20, 130}: RoleRadio, {20, 135}: RoleRadio, // safety systems
	{25, rest}: RoleGateway,                                                                             // inter/intranetwork device
	{30, rest}: RolePower, {30, 130}: RoleSwitching, {30, 140}: RoleSwitching, {30, 150}: RoleSwitching, // electrical distribution
	{35, rest}: RolePower, {35, 140}: RoleEngine, {35, 180}: RoleEngine, // electrical generation
	// steering and control surfaces
	{40, rest}: RoleDeck, {40, 130}: RoleAutopilot, {40, 140}: RoleAutopilot, {40, 150}: RoleAutopilot,
	{40, 155}: RoleRudder, {40, 160}: RoleHeading, {40, 170}: RoleTrim, {40, 180}: RoleTrim,
	// propulsion
	{50, rest}: RoleEngine, {50, 141}: RolePower, {50, 151}: RolePower,
	{50, 190}: RoleDisplay, {50, 200}: RoleDisplay, {50, 210}: RoleDisplay,
	// navigation; speed through water comes from the same through-hull sensors as depth
	{60, rest}: RoleOther, {60, 130}: RoleDepth, {60, 135}: RoleDepth, {60, 136}: RoleDepth, {60, 155}: RoleDepth,
	{60, 140}: RoleHeading, {60, 160}: RoleHeading, {60, 145}: RolePosition, {60, 150}: RolePosition,
	{60, 170}: RoleDisplay, {60, 175}: RoleDisplay, {60, 190}: RoleDisplay,
	{60, 205}: RoleDisplay, {60, 210}: RoleDisplay, {60, 230}: RoleDisplay,
	{60, 195}: RoleAIS, {60, 200}: RoleRadar, {60, 220}: RoleRadio,
	{70, rest}: RoleRadio, {70, 140}: RoleAIS, // communication
	{75, rest}: RoleEnvironment, {75, 150}: RoleTank, {75, 160}: RoleTank, // sensor communication interface
	// instrumentation/general systems
	{80, rest}: RoleOther, {80, 150}: RoleDisplay, {80, 160}: RoleDisplay, {80, 180}: RoleWind, {80, 200}: RoleGateway,
	{85, rest}: RoleWind, {85, 160}: RoleEnvironment, // wind sensors and weather stations
	{90, rest}:  RoleEnvironment, // internal environment
	{100, rest}: RoleDeck,        // deck, cargo and fishing equipment
	{110, rest}: RoleSwitching,   // human interface: buttons and switches
	{120, rest}: RoleDisplay,     // display
	{125, rest}: RoleEntertainment,
}

// roleOf finds what a device does aboard; "" when its class and function do not show it.
func roleOf(class, function uint8) Role {
	if r, ok := roles[kind{class, function}]; ok {
		return r
	}
	return roles[kind{class, rest}]
}

// telltales are messages that give a role away, the clearest first. A device whose NAME does not show its role has
// the role of the first one that it sends; the order puts what only the real source sends before what displays and
// gateways repeat.
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
	{RolePower, []uint32{127508, 127506, 127507, 127509, 127513, 127503, 127504, 127750, 127751}},
	{RoleRadio, []uint32{129808, 129799}},
	{RoleEntertainment, []uint32{130569, 130570, 130573, 130574}},
	{RoleThruster, []uint32{128006, 128008}}, // no published function is a thruster's
	{RoleTrim, []uint32{130576}},
	{RoleLighting, []uint32{130330, 130561, 130562, 130563}},
	{RoleSwitching, []uint32{127501}},
	{RoleDeck, []uint32{128776, 128777, 128778}},
	{RoleEnvironment, []uint32{130310, 130311, 130312, 130313, 130314, 130316}},
	{RoleDisplay, []uint32{129283, 129284, 129285}},
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
