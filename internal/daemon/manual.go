package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"muster/internal/api"
	"muster/internal/boat"
	outside "muster/internal/input"
	"muster/internal/store"
)

// maxManual bounds the devices entered by hand.
const maxManual = 200

// Keys of the store.
const (
	countKey  = "count"
	manualKey = "device/"
	sameKey   = "same"
)

// maxDecided bounds what is decided at the desk of which presences are one unit.
const maxDecided = 200

// manual are the devices entered at the desk, what was decided there of units, and the layouts that were drawn there. It belongs to the model's goroutine.
type manual struct {
	list  []boat.Manual   // replaced whenever it changes
	count int             // so many were entered ever
	same  []boat.Decision // replaced whenever it changes

	layouts []api.KeptLayout // all versions, oldest first; replaced whenever it changes
}

// restoreManual takes up what was kept.
func restoreManual(s *store.Store) (m manual, err error) {
	all := s.All(store.Manual)
	if text := all[countKey]; text != nil {
		if err := outside.OpenJSON(context.Background(), "", text, &m.count); err != nil {
			return m, err
		}
		delete(all, countKey)
	}
	if text := all[sameKey]; text != nil {
		if err := outside.OpenJSON(context.Background(), "", text, &m.same); err != nil {
			return m, err
		}
		delete(all, sameKey)
	}
	if m.layouts, err = restoreLayouts(all); err != nil {
		return m, err
	}
	var list []boat.Manual
	for _, text := range all {
		var dev boat.Manual
		if err := outside.OpenJSON(context.Background(), "", text, &dev); err != nil {
			return m, err
		}
		dev.Manufacturer, dev.Maker = cmp.Or(dev.Manufacturer, dev.Maker), "" // one kept before version 2 of the report
		list = append(list, dev)
	}
	slices.SortFunc(list, func(a, b boat.Manual) int { // m9 before m10
		return cmp.Or(len(a.ID)-len(b.ID), strings.Compare(a.ID, b.ID))
	})
	m.list = list
	return m, nil
}

// keep puts them into the store.
func (m *manual) keep(s *store.Store) {
	values := map[string][]byte{countKey: fmt.Append(nil, m.count)}
	for i := range m.list {
		if text, err := json.Marshal(&m.list[i]); err == nil {
			values[manualKey+m.list[i].ID] = text
		}
	}
	if text, err := json.Marshal(m.same); err == nil && len(m.same) > 0 {
		values[sameKey] = text
	}
	for i := range m.layouts {
		if text, err := json.Marshal(&m.layouts[i]); err == nil {
			values[layoutKey(m.layouts[i].Number)] = text
		}
	}
	s.Together(func() { s.Replace(store.Manual, values) })
}
