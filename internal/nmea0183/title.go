package nmea0183

import (
	"slices"
	"strings"
)

// titles says what a sentence type tells, in plain words, sorted by type (gpsd NMEA page, equipment manuals).
var titles = [][2]string{
	{"AAM", "arrival at the waypoint"},
	{"ABK", "AIS: answer to a message that was sent"},
	{"ACK", "alarm acknowledged"},
	{"ACN", "alert command"},
	{"ALA", "alarm in detail"},
	{"ALC", "list of alerts"},
	{"ALF", "alert"},
	{"ALR", "alarm state"},
	{"APB", "for the autopilot: heading to steer and cross-track error"},
	{"ARC", "alert command refused"},
	{"BOD", "bearing from origin to destination"},
	{"BWC", "bearing and distance to the waypoint, great circle"},
	{"BWR", "bearing and distance to the waypoint, rhumb line"},
	{"DBK", "depth below the keel"},
	{"DBS", "depth below the surface"},
	{"DBT", "depth below the transducer"},
	{"DPT", "depth"},
	{"DSC", "digital selective call"},
	{"DSE", "digital selective call, expanded"},
	{"DTM", "datum of the positions"},
	{"EVE", "event"},
	{"GBS", "satellite fault detection"},
	{"GGA", "position fix and its quality"},
	{"GLL", "position, latitude and longitude"},
	{"GNS", "position fix of one or more satellite systems"},
	{"GRS", "range residuals of the satellites"},
	{"GSA", "satellites in use and dilution of precision"},
	{"GST", "noise statistics of the satellites"},
	{"GSV", "satellites in view"},
	{"HBT", "heartbeat"},
	{"HDG", "magnetic heading, deviation and variation"},
	{"HDM", "magnetic heading"},
	{"HDT", "true heading"},
	{"HSC", "heading to steer"},
	{"MDA", "meteorological composite"},
	{"MHU", "humidity"},
	{"MMB", "barometer"},
	{"MTA", "air temperature"},
	{"MTW", "water temperature"},
	{"MWD", "wind direction and speed"},
	{"MWV", "wind speed and angle"},
	{"OSD", "own ship data"},
	{"RMB", "navigation to the waypoint"},
	{"RMC", "recommended minimum: position, course, speed and time"},
	{"ROT", "rate of turn"},
	{"RPM", "revolutions of engine or shaft"},
	{"RSA", "rudder angle"},
	{"RSD", "radar system data"},
	{"RTE", "route"},
	{"THS", "true heading and status"},
	{"TLB", "target label"},
	{"TLL", "target latitude and longitude"},
	{"TTM", "tracked target"},
	{"TXT", "text"},
	{"VBW", "speed over ground and through the water, both axes"},
	{"VDM", "AIS of others"},
	{"VDO", "AIS of the own vessel"},
	{"VDR", "current: set and drift"},
	{"VER", "version of the equipment"},
	{"VHW", "water speed and heading"},
	{"VLW", "distance travelled through the water"},
	{"VTG", "course and speed over ground"},
	{"VWR", "relative wind angle and speed"},
	{"VWT", "true wind angle and speed"},
	{"WPL", "waypoint location"},
	{"XDR", "transducer values"},
	{"XTE", "cross-track error"},
	{"ZDA", "date and time"},
}

// Title says in plain words what sentences of that type tell, "" when it is not known.
func Title(formatter string) string {
	i, ok := slices.BinarySearchFunc(titles, formatter, func(t [2]string, f string) int { return strings.Compare(t[0], f) })
	if !ok {
		return ""
	}
	return titles[i][1]
}
