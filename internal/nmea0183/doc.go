// Package nmea0183 takes NMEA 0183 lines apart: framing, checksums, tag blocks, values, AIS parts and the quality of a
// line.
package nmea0183
