package boat

import (
	"slices"
	"testing"
	"time"

	"muster/pgn"
)

func TestRoleOfClassAndFunction(t *testing.T) {
	for _, tt := range []struct {
		class, function uint8
		want            Role
	}{
		{120, 130, RoleDisplay}, {60, 130, RoleDepth}, {60, 145, RolePosition}, {60, 195, RoleAIS}, {60, 200, RoleRadar}, {60, 140, RoleHeading},
		{40, 150, RoleAutopilot}, {40, 155, RoleRudder}, {50, 140, RoleEngine}, {35, 170, RolePower}, {75, 150, RoleTank}, {75, 130, RoleEnvironment},
		{85, 130, RoleWind}, {70, 190, RoleRadio}, {125, 130, RoleEntertainment}, {25, 135, RoleGateway}, {10, 130, RoleTool}, {110, 135, RoleSwitching},
		{30, 130, RoleSwitching}, {30, 140, RoleSwitching}, {30, 150, RoleSwitching}, {30, 141, RolePower}, {40, 170, RoleTrim}, {40, 180, RoleTrim},
		{127, 0, ""}, {0, 0, ""},
	} {
		if got := roleOf(tt.class, tt.function); got != tt.want {
			t.Errorf("class %d function %d: %q, want %q", tt.class, tt.function, got, tt.want)
		}
	}
}

// Every role that can come out is one of the report's.
func TestRolesAreKnown(t *testing.T) {
	for class := range 128 {
		for function := range 256 {
			if r := roleOf(uint8(class), uint8(function)); r != "" && !slices.Contains(Roles(), r) {
				t.Fatalf("class %d function %d: %q", class, function, r)
			}
		}
	}
	for _, tell := range telltales {
		for _, number := range tell.pgns {
			if pgn.Lookup(number) == nil {
				t.Errorf("%s: PGN %d is not in the message set", tell.role, number)
			}
		}
	}
}

func TestRoleByTraffic(t *testing.T) {
	w := newWire().every(time.Second, 2, 128267, 50, depth...)
	if r := w.state().Devices[0].Role; r != RoleDepth {
		t.Errorf("unclaimed: %q", r)
	}
	w.claim(50, testName(9, 127, 0))
	if r := w.state().Devices[0].Role; r != RoleDepth {
		t.Errorf("class says nothing: %q", r)
	}
	for number, want := range map[uint32]Role{127501: RoleSwitching, 130561: RoleLighting, 128006: RoleThruster, 130576: RoleTrim, 127502: RoleOther} {
		w := newWire().claim(50, testName(9, 127, 0)).every(time.Second, 2, number, 50, 0, 0, 0, 0, 0, 0, 0, 0)
		if r := w.state().Devices[0].Role; r != want {
			t.Errorf("PGN %d: %q, want %q", number, r, want)
		}
	}
	if r := newWire().claim(50, testName(9, 127, 0)).state().Devices[0].Role; r != RoleOther {
		t.Errorf("nothing known: %q", r)
	}
}
