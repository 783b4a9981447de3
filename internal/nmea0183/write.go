package nmea0183

// Sum is the checksum of a sentence: the exclusive or of every byte between the start character and the asterisk.
func Sum(body []byte) byte {
	var sum byte
	for _, c := range body {
		sum ^= c
	}
	return sum
}

// Append appends a whole sentence to dst: the start character ('$' or '!'), the body, its checksum and the line end.
func Append(dst []byte, start byte, body string) []byte {
	dst = append(dst, start)
	from := len(dst)
	dst = append(dst, body...)
	sum := Sum(dst[from:])
	return append(dst, '*', hexDigits[sum>>4], hexDigits[sum&15], '\r', '\n')
}

// AppendQuery appends the standard's query: asker and listener are talkers of two characters, formatter is the
// sentence asked for.
func AppendQuery(dst []byte, asker, listener, formatter string) []byte {
	return Append(dst, '$', asker+listener+"Q,"+formatter)
}

const hexDigits = "0123456789ABCDEF"
