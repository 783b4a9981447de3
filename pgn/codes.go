package pgn

import (
	_ "embed"
	"encoding/csv"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// The code tables, with the source of every row. They are read when first asked for.
var (
	//go:embed data/manufacturer_codes.csv
	manufacturersText string
	//go:embed data/device_classes.csv
	classesText string
	//go:embed data/device_functions.csv
	functionsText string
	//go:embed data/industry_groups.csv
	industriesText string
	//go:embed data/enumerations.csv
	enumerationsText string
)

// Code is one entry of a code table.
type Code struct {
	Code int64
	Name string
}

// ManufacturerName is the manufacturer of an 11-bit code, "" for an unknown one. Where the NMEA list and the ISO/SAE registry, which share the
// code space, disagree, both names are given: "A / B".
func ManufacturerName(code uint16) string { return manufacturers()[code] }

// ClassName is the name of a 7-bit device class (NMEA 2000 appendix B.6), "" for an unknown one.
func ClassName(class uint8) string { return classes()[class] }

// FunctionName is the name of a device function, which depends on the class (NMEA 2000 appendix B.6), "" for an unknown one.
func FunctionName(class, function uint8) string { return functions()[[2]uint8{class, function}] }

// IndustryGroupName is the name of a 3-bit industry group (ISO/SAE registry); "Marine" is 4.
func IndustryGroupName(group uint8) string { return industries()[group] }

// Table is a code table by the name that Field.Table gives, sorted by code; nil if there is none. It is the caller's.
// Device functions, which need a class, are not among them.
func Table(name string) []Code { return slices.Clone(tables()[name]) }

// codeName finds a code in a table.
func codeName(table string, code int64) string {
	rows := tables()[table]
	if i, ok := slices.BinarySearchFunc(rows, code, func(c Code, code int64) int { return int(c.Code - code) }); ok {
		return rows[i].Name
	}
	return ""
}

// codeOf is the reverse of codeName; case does not matter.
func codeOf(table, name string) (int64, bool) {
	for _, c := range tables()[table] {
		if strings.EqualFold(c.Name, name) {
			return c.Code, true
		}
	}
	return 0, false
}

var manufacturers = sync.OnceValue(func() map[uint16]string {
	m := make(map[uint16]string)
	for _, r := range readCSV(manufacturersText) {
		name := r[1]
		if r[3] == "conflict" {
			name += " / " + r[4]
		}
		m[uint16(atoi(r[0]))] = name
	}
	return m
})

var classes = sync.OnceValue(func() map[uint8]string {
	m := make(map[uint8]string)
	for _, r := range readCSV(classesText) {
		m[uint8(atoi(r[0]))] = r[1]
	}
	return m
})

var functions = sync.OnceValue(func() map[[2]uint8]string {
	m := make(map[[2]uint8]string)
	for _, r := range readCSV(functionsText) {
		m[[2]uint8{uint8(atoi(r[0])), uint8(atoi(r[1]))}] = r[2]
	}
	return m
})

var industries = sync.OnceValue(func() map[uint8]string {
	m := make(map[uint8]string)
	for _, r := range readCSV(industriesText) {
		m[uint8(atoi(r[0]))] = r[1]
	}
	return m
})

var tables = sync.OnceValue(func() map[string][]Code {
	m := make(map[string][]Code)
	for _, r := range readCSV(enumerationsText) {
		m[r[0]] = append(m[r[0]], Code{atoi(r[1]), r[2]})
	}
	add := func(name string, code int64, text string) { m[name] = append(m[name], Code{code, text}) }
	for code, name := range manufacturers() {
		add("manufacturer", int64(code), name)
	}
	for code, name := range classes() {
		add("device_class", int64(code), name)
	}
	for code, name := range industries() {
		add("industry_group", int64(code), name)
	}
	for _, codes := range m {
		slices.SortFunc(codes, func(a, b Code) int { return int(a.Code - b.Code) })
	}
	return m
})

// readCSV returns the rows without the titles. The tables are part of the program: a damaged one is a mistake that the tests find.
func readCSV(text string) [][]string {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic("pgn: code table: " + err.Error())
	}
	return rows[1:]
}

func atoi(s string) int64 {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		panic("pgn: code table: " + err.Error())
	}
	return n
}
