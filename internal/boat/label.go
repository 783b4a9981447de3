package boat

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// Label names the device as a technician would: its model and serial number when known, else its function or maker, else its address.
func (d *Device) Label() string {
	switch {
	case d.Product != nil && d.Product.Model != "" && d.Product.Serial != "":
		return d.Product.Model + " (" + d.Product.Serial + ")"
	case d.Product != nil && d.Product.Model != "":
		return d.Product.Model + d.at()
	case d.Name != nil && d.Name.DeviceFunction.Name != "":
		return d.Name.DeviceFunction.Name + d.at()
	case d.Name != nil && d.Name.Manufacturer.Name != "":
		return d.Name.Manufacturer.Name + " device" + d.at()
	}
	return "device" + d.at()
}

func (d *Device) at() string {
	if d.Address != nil {
		return fmt.Sprintf(" at address %d", *d.Address)
	}
	return " " + d.ID
}

// Maker is the maker's name, or its code when no list names it, or "" when the NAME is unknown.
func (d *Device) Maker() string {
	switch {
	case d.Name == nil:
		return ""
	case d.Name.Manufacturer.Name != "":
		return d.Name.Manufacturer.Name
	}
	return fmt.Sprintf("maker %d", d.Name.Manufacturer.Code)
}

// Version is the software version the device gave, or "".
func (d *Device) Version() string {
	if d.Product == nil {
		return ""
	}
	return d.Product.Software
}

// Device finds a device by its id, nil when it is not in the report.
func (r *Report) Device(id string) *Device {
	for i := range r.Devices {
		if r.Devices[i].ID == id {
			return &r.Devices[i]
		}
	}
	return nil
}

// TalkerByID finds a talker by its id, nil when there is none.
func (r *Report) TalkerByID(id string) *Talker {
	for i := range r.Talkers {
		if t := &r.Talkers[i]; t.ID() == id {
			return t
		}
	}
	return nil
}

// Counted is a number with its noun: "1 boat", "2 boats".
func Counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// Printable shows foreign text harmlessly: control and formatting characters, which could steer a terminal, appear escaped.
func Printable(s string) string {
	clean := func(r rune) bool { return !unicode.IsPrint(r) && r != ' ' }
	if strings.IndexFunc(s, clean) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if clean(r) {
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// PrintableText is Printable for a text of several lines.
func PrintableText(s string) string {
	lines := strings.Split(s, "\n")
	for i, line := range lines {
		lines[i] = Printable(line)
	}
	return strings.Join(lines, "\n")
}
