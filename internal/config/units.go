package config

import (
	"regexp"
	"slices"
	"strconv"

	"muster/internal/boat"
	"muster/pgn"
)

// maxDecisions bounds each of same_as and not_same_as.
const maxDecisions = 100

// presenceID is how a network or a line and an entry by hand are named in reports; a NAME has a form of its own.
var presenceID = regexp.MustCompile(`^[^/\s]{1,64}/[A-Za-z0-9]{1,16}$|^[mn][1-9][0-9]{0,5}$`)

// validateUnits checks what is said by hand of which presences are one unit, and writes NAMEs as reports do.
func (c *Config) validateUnits(bad func(key, format string, args ...any)) {
	seen := map[[2]string]string{}
	for _, list := range []struct {
		key   string
		pairs [][]string
	}{{"same_as", c.SameAs}, {"not_same_as", c.NotSameAs}} {
		if n := len(list.pairs); n > maxDecisions {
			bad(list.key, "%d pairs are more than %d: remove some", n, maxDecisions)
			continue
		}
		for i, pair := range list.pairs {
			key := list.key + "." + strconv.Itoa(i)
			if len(pair) != 2 {
				bad(key, "%d ids, not two: give the ids of two presences, such as [C0789100FA400C45, gps/GP]", len(pair))
				continue
			}
			known := true
			for j, id := range pair {
				if name, err := pgn.ParseNAME(id); err == nil {
					pair[j] = name.String()
				} else if !presenceID.MatchString(id) {
					bad(key, "%q is no id: write a NAME of 16 hex digits, network/address, line/letters, or the id of an entry by hand", id)
					known = false
				}
			}
			both := [2]string{min(pair[0], pair[1]), max(pair[0], pair[1])}
			switch other := seen[both]; {
			case !known:
			case pair[0] == pair[1]:
				bad(key, "both ids are %s: give those of two presences", pair[0])
			case other != "":
				bad(key, "%s has these two already: leave one out", other)
			}
			seen[both] = key
		}
	}
}

// Decisions are what the config says of which presences are one unit.
func (c *Config) Decisions() (list []boat.Decision) {
	for _, p := range c.SameAs {
		list = append(list, boat.Decision{A: p[0], B: p[1], Same: true, By: "config"})
	}
	for _, p := range c.NotSameAs {
		list = append(list, boat.Decision{A: p[0], B: p[1], By: "config"})
	}
	return slices.Clip(list)
}
