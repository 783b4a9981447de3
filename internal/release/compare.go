package release

import (
	"muster/internal/report"
)

// Order compares two versions that a device reported at different times: negative when a is older than b, 0 when they
// are the same release. ok is false when no sheet puts them in order.
func (s *Sheets) Order(d *report.Device, a, b string) (order int, ok bool) {
	u := unitOf(d)
	m, problem := s.find(&u)
	if m == nil || problem != nil {
		return 0, false
	}
	v, err := m.scheme.Parse(a)
	if err != nil {
		return 0, false
	}
	w, err := m.scheme.Parse(b)
	if err != nil {
		return 0, false
	}
	order, err = Compare(v, w)
	return order, err == nil
}
