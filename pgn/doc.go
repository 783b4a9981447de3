// Package pgn holds the NMEA 2000 message set as data, with the identifier, the NAME and the codecs that read and write it.
package pgn
