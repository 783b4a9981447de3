package ui

import (
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

// icons are the roles of units as lines on a field of 20 by 20.
var icons = map[boat.Role]string{
	boat.RoleDisplay:       "M2.5 3.5h15v10h-15zM10 13.5V17M6.5 17h7",
	boat.RolePosition:      "M10 18C6 13 4.5 10.5 4.5 8a5.5 5.5 0 0 1 11 0c0 2.5-1.5 5-5.5 10zM10 6v4M8 8h4",
	boat.RoleHeading:       "M10 2.5a7.5 7.5 0 1 0 .01 0zM10 5l2 5-2 5-2-5z",
	boat.RoleDepth:         "M2 5q2-2.5 4 0t4 0 4 0 4 0M10 9v8M7 14l3 3 3-3",
	boat.RoleSonar:         "M10 3v2M7 8q3 3 6 0M5 11q5 5 10 0M3 14q7 7 14 0",
	boat.RoleRadar:         "M10 2.5a7.5 7.5 0 1 0 .01 0zM10 10l5.3-5.3M10 6.5a3.5 3.5 0 1 0 3.5 3.5",
	boat.RoleWind:          "M2 8h9a2.5 2.5 0 1 0-2.5-2.5M2 12h12a2.5 2.5 0 1 1-2.5 2.5",
	boat.RoleAIS:           "M10 5l4 11H6zM3.5 3q-2 3.5 0 7M16.5 3q2 3.5 0 7",
	boat.RoleRadio:         "M10 8v10M7 11q-3-3 0-6M13 5q3 3 0 6M4.5 13.5q-5-5.5 0-11M15.5 2.5q5 5.5 0 11",
	boat.RoleAutopilot:     "M10 4.5a5.5 5.5 0 1 0 .01 0zM10 1.5v17M1.5 10h17",
	boat.RoleRudder:        "M4 3h12M10 3v5M7 8h6l-1 9H8z",
	boat.RoleEngine:        "M5 8h2l2-2h4v2h2v6h-2l-1.5 2H7l-2-2zM2 9v4M11 6V3.5M8.5 3.5h5M17.5 9v4",
	boat.RoleTank:          "M4 4h12v13H4zM4 11q3-2.5 6 0t6 0M10 4V2",
	boat.RolePower:         "M2.5 6h15v9h-15zM6 6V4M14 6V4M5 10.5h3M12 10.5h3.5M13.7 8.7v3.6",
	boat.RoleEnvironment:   "M8 12V4a2 2 0 0 1 4 0v8a3.5 3.5 0 1 1-4 0zM10 7v7",
	boat.RoleSwitching:     "M2 13.5h5l6-7M13 13.5h5",
	boat.RoleLighting:      "M7.5 13.5a5.5 5.5 0 1 1 5 0v2h-5zM8 18h4",
	boat.RoleThruster:      "M10 2.5a7.5 7.5 0 1 0 .01 0zM10 10Q6 9 7 5q3 1 3 5zM10 10q4 1 3 5-3-1-3-5z",
	boat.RoleTrim:          "M2 7h10l6 5M12 7v-4M2 12h7",
	boat.RoleDeck:          "M10 2.5a1.8 1.8 0 1 0 .01 0zM10 6.1V17M6.5 9h7M3.5 12q1 5 6.5 5t6.5-5",
	boat.RoleEntertainment: "M7 15V4l9-1.5V13M5 13a2 2 0 1 0 2 2M14 11a2 2 0 1 0 2 2",
	boat.RoleGateway:       "M3 7h12M12 4l3 3-3 3M17 13H5M8 10l-3 3 3 3",
	boat.RoleTool:          "M12.5 3a4 4 0 0 0-3.8 5.3L3 14l3 3 5.7-5.7A4 4 0 0 0 17 7.5L14.5 9l-2-2z",
	boat.RoleOther:         "M3.5 3.5h13v13h-13zM7 10h6",
}

// sprite holds the icons of the roles that a page uses, once; Icon refers to them.
func sprite(roles []boat.Role) g.Node {
	return h.SVG(h.Class("hidden"), h.Aria("hidden", "true"), g.Map(roles, func(role boat.Role) g.Node {
		return g.El("symbol", h.ID("icon-"+string(role)), g.Attr("viewBox", "0 0 20 20"), Drawn("path", "d", icons[role]))
	}))
}

// icon shows the icon of a role that is in the sprite; the word is beside it.
func icon(role boat.Role) g.Node {
	return h.SVG(h.Class("icon"), h.Aria("hidden", "true"), g.El("use", h.Href("#icon-"+string(role))))
}
