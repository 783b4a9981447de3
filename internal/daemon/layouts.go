package daemon

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"muster/internal/api"
	"muster/internal/backbone"
	outside "muster/internal/input"
)

// layoutsKey begins the keys of layouts in the store, and mostLayouts bounds how many versions are kept.
const (
	layoutsKey  = "layout/"
	mostLayouts = 500
)

func layoutKey(number int) string { return fmt.Sprintf("%s%04d", layoutsKey, number) }

// restoreLayouts takes the layouts out of what was kept.
func restoreLayouts(all map[string][]byte) (list []api.KeptLayout, err error) {
	for key, text := range all {
		if !strings.HasPrefix(key, layoutsKey) {
			continue
		}
		var l api.KeptLayout
		if err := outside.OpenJSON(context.Background(), "", text, &l); err != nil {
			return nil, err
		}
		list = append(list, l)
		delete(all, key)
	}
	slices.SortFunc(list, func(a, b api.KeptLayout) int { return cmp.Compare(a.Number, b.Number) })
	return list, nil
}

// plansWith are the layouts of the config, each replaced by the latest that was drawn on the pages for its network.
func (m *model) plansWith(plans []*backbone.Plan) []*backbone.Plan {
	out := slices.Clone(plans)
	for _, kept := range m.manual.layouts {
		l, err := backbone.Parse(context.Background(), "", []byte(kept.Text))
		if err != nil {
			m.log.Warn().Int("version", kept.Number).Err(err).Msg("a kept layout is left out")
			continue
		}
		at := slices.IndexFunc(out, func(p *backbone.Plan) bool {
			of := p.Layout().Network
			return of == l.Network || len(out) == 1 && (of == "" || l.Network == "")
		})
		if at < 0 {
			out = append(out, backbone.NewPlan(l))
		} else {
			out[at] = backbone.NewPlan(l)
		}
	}
	return out
}

// Layouts implements api.Desk.
func (k desk) Layouts() []api.KeptLayout { return k.view.Load().layouts }

// KeepLayout implements api.Desk. It is in force from the next report on.
func (k desk) KeepLayout(ctx context.Context, text, by string) error {
	l, err := backbone.Parse(ctx, "", []byte(text))
	if err != nil {
		return err
	}
	return k.do(ctx, func() error {
		n := len(k.manual.layouts)
		if n >= mostLayouts {
			return fmt.Errorf("keep the layout: %w: %d versions are kept", api.ErrFull, n)
		}
		k.manual.layouts = append(slices.Clone(k.manual.layouts), api.KeptLayout{Number: n + 1, At: k.actTime(), By: by, Network: l.Network, Text: text})
		k.manual.keep(k.keeping.keeper.store)
		known := k.known
		known.plans = k.plansWith(known.plans)
		known.adrift = make([]string, len(known.plans))
		k.known = known
		k.setBaseline(k.base) // with the checks of the new layout
		return nil
	})
}
