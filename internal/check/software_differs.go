package check

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"muster/internal/boat"
)

// softwareDiffers: units of one model with different version strings. This check does not decide which string is
// newer.
func softwareDiffers(p *Pass) {
	list := p.units(func(d *boat.Device) bool {
		return d.Name != nil && d.Product != nil && d.Product.Software != "" && (d.Product.Model != "" || d.Product.Code != nil)
	})
	p.unidentified()
	for _, group := range models(list) {
		versions := map[string][]*boat.Device{}
		for _, d := range group {
			v := plainVersion(d.Product.Software)
			versions[v] = append(versions[v], d)
		}
		if len(versions) < 2 {
			p.Clear("", modelKey(group[0]))
			continue
		}
		sorted := slices.Sorted(maps.Keys(versions))
		parts := make([]string, 0, len(sorted))
		byVersion := map[string]any{}
		for _, v := range sorted {
			var at []string
			for _, d := range versions[v] {
				at = append(at, addressOf(d))
			}
			parts = append(parts, fmt.Sprintf("%q at %s", v, enumerate(at)))
			byVersion[v] = ids(versions[v])
		}
		first := group[0]
		network := first.Network
		if slices.ContainsFunc(group, func(d *boat.Device) bool { return d.Network != network }) {
			network = ""
		}
		p.Find(Finding{
			Subject: modelKey(first), Devices: p.deviceIDs(ids(group)), Network: network,
			Values:   Values{"count": len(group), "model": unaddressed(first), "versions": strings.Join(parts, "; ")},
			Evidence: evidence("model", first.Product.Model, "versions", byVersion),
		})
	}
}

// plainVersion is a version string without what does not belong to the version: filling, and a "v" before its number.
func plainVersion(s string) string {
	s = strings.Trim(s, " \t\r\n\x00@\ufffd")
	if len(s) > 1 && (s[0] == 'v' || s[0] == 'V') && '0' <= s[1] && s[1] <= '9' {
		s = s[1:]
	}
	return s
}

// unidentified notes the devices whose model or software is unknown.
func (p *Pass) unidentified() {
	for _, d := range p.units(speaking) {
		switch {
		case d.Product == nil:
			p.unnamed(d)
		case d.Product.Software == "":
			p.NotJudged(d.Network, d.ID, label(d)+" does not report its software", NeedTraffic)
		}
	}
}

// unnamed notes that the device has not identified itself.
func (p *Pass) unnamed(d *boat.Device) {
	needs := NeedAsking
	if p.asking(d.Network) {
		needs = NeedTime
	}
	p.NotJudged(d.Network, d.ID, label(d)+" has not sent its product information", needs)
}

// models sorts devices into groups of one model: same manufacturer, and same product code or same model text.
func models(list []*boat.Device) [][]*boat.Device {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b *boat.Device) int {
		return cmp.Or(cmp.Compare(modelKey(a), modelKey(b)), cmp.Compare(a.ID, b.ID))
	})
	var groups [][]*boat.Device
	for _, d := range list {
		home := -1
		for i := 0; i < len(groups); i++ {
			if !slices.ContainsFunc(groups[i], func(o *boat.Device) bool { return sameModel(o, d) }) {
				continue
			}
			if home < 0 {
				groups[i] = append(groups[i], d)
				home = i
				continue
			}
			groups[home] = append(groups[home], groups[i]...) // d joins two groups that were apart so far
			groups = slices.Delete(groups, i, i+1)
			i--
		}
		if home < 0 {
			groups = append(groups, []*boat.Device{d})
		}
	}
	return groups
}

func sameModel(a, b *boat.Device) bool {
	if a.Name.Manufacturer.Code != b.Name.Manufacturer.Code ||
		(a.Address == nil && b.Address == nil && a.Name.Manufacturer.Name != b.Name.Manufacturer.Name) {
		return false
	}
	if a.Product.Model != "" && strings.EqualFold(strings.TrimSpace(a.Product.Model), strings.TrimSpace(b.Product.Model)) {
		return true
	}
	return a.Product.Code != nil && b.Product.Code != nil && *a.Product.Code == *b.Product.Code
}

func modelKey(d *boat.Device) string {
	model := strings.TrimSpace(d.Product.Model)
	if model == "" {
		model = fmt.Sprintf("product %d", *d.Product.Code)
	}
	return fmt.Sprintf("%d %s", d.Name.Manufacturer.Code, model)
}
