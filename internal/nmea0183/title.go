package nmea0183

import (
	"slices"
	"strings"
)

// titles describes what a sentence type holds, in plain words, sorted by type (gpsd NMEA page, equipment manuals).
var titles = [][2]string{
	{"AAM", "Arrival at the waypoint"},
	{"ABK", "AIS: answer to a message that was sent"},
	{"ACK", "Alarm acknowledged"},
	{"ACN", "Alert command"},
	{"ALA", "Alarm in detail"},
	{"ALC", "List of alerts"},
	{"ALF", "Alert"},
	{"ALR", "Alarm state"},
	{"APB", "For the autopilot: heading to steer and cross-track error"},
	{"ARC", "Alert command refused"},
	{"BOD", "Bearing from origin to destination"},
	{"BWC", "Bearing and distance to the waypoint, great circle"},
	{"BWR", "Bearing and distance to the waypoint, rhumb line"},
	{"DBK", "Depth below the keel"},
	{"DBS", "Depth below the surface"},
	{"DBT", "Depth below the transducer"},
	{"DPT", "Depth"},
	{"DSC", "Digital selective call"},
	{"DSE", "Digital selective call, expanded"},
	{"DTM", "Datum of the positions"},
	{"EVE", "Event"},
	{"GBS", "Satellite fault detection"},
	{"GGA", "Position fix and its quality"},
	{"GLL", "Position, latitude and longitude"},
	{"GNS", "Position fix of one or more satellite systems"},
	{"GRS", "Range residuals of the satellites"},
	{"GSA", "Satellites in use and dilution of precision"},
	{"GST", "Noise statistics of the satellites"},
	{"GSV", "Satellites in view"},
	{"HBT", "Heartbeat"},
	{"HDG", "Magnetic heading, deviation and variation"},
	{"HDM", "Magnetic heading"},
	{"HDT", "True heading"},
	{"HSC", "Heading to steer"},
	{"MDA", "Meteorological composite"},
	{"MHU", "Humidity"},
	{"MMB", "Barometer"},
	{"MTA", "Air temperature"},
	{"MTW", "Water temperature"},
	{"MWD", "Wind direction and speed"},
	{"MWV", "Wind speed and angle"},
	{"OSD", "Own ship data"},
	{"RMB", "Navigation to the waypoint"},
	{"RMC", "Recommended minimum: position, course, speed and time"},
	{"ROT", "Rate of turn"},
	{"RPM", "Revolutions of engine or shaft"},
	{"RSA", "Rudder angle"},
	{"RSD", "Radar system data"},
	{"RTE", "Route"},
	{"THS", "True heading and status"},
	{"TLB", "Target label"},
	{"TLL", "Target latitude and longitude"},
	{"TTM", "Tracked target"},
	{"TXT", "Text"},
	{"VBW", "Speed over ground and through the water, both axes"},
	{"VDM", "AIS of others"},
	{"VDO", "AIS of the own vessel"},
	{"VDR", "Current: set and drift"},
	{"VER", "Version of the equipment"},
	{"VHW", "Water speed and heading"},
	{"VLW", "Distance travelled through the water"},
	{"VTG", "Course and speed over ground"},
	{"VWR", "Relative wind angle and speed"},
	{"VWT", "True wind angle and speed"},
	{"WPL", "Waypoint location"},
	{"XDR", "Transducer values"},
	{"XTE", "Cross-track error"},
	{"ZDA", "Date and time"},
}

// Title describes in plain words what sentences of that type hold, "" when the type is unknown.
func Title(formatter string) string {
	i, ok := slices.BinarySearchFunc(titles, formatter, func(t [2]string, f string) int {
		return strings.Compare(t[0], f)
	})
	if !ok {
		return ""
	}
	return titles[i][1]
}
