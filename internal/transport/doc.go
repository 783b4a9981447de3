// Package transport puts messages longer than a frame together and takes them apart: NMEA 2000 fast packet and the ISO transport
// protocol, in both directions, by event time alone.
package transport
