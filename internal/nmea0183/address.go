package nmea0183

// MaxAddress is the longest address field taken for one. Standard addresses have five characters; manufacturers use more.
const MaxAddress = 16

// Address is a sentence's address field in upper case, padded with zero bytes. It is comparable, so a map can be keyed
// by it.
//
// A standard address is a talker of two characters and a formatter of three ("GP" "RMC"). A proprietary one is "P",
// three characters for the manufacturer and what the manufacturer likes. A query is the asker's talker, the asked talker and "Q".
type Address [MaxAddress]byte

// AddressOf makes an Address of text such as "GPRMC"; what is beyond MaxAddress is cut.
func AddressOf(text string) Address {
	var a Address
	for i := 0; i < len(text) && i < MaxAddress; i++ {
		a[i] = upper(text[i])
	}
	return a
}

// String is the address as written, in upper case.
func (a Address) String() string { return string(a[:a.len()]) }

// Talker is the two characters of the talker, or "P" for a proprietary sentence.
func (a Address) Talker() string { return string(a.talker()) }

// Formatter is what follows the talker: "RMC", "Q" for a query, manufacturer and type ("GRMZ") for a proprietary sentence.
func (a Address) Formatter() string { return string(a.formatter()) }

// Manufacturer is the manufacturer's three letters in a proprietary sentence, else empty.
func (a Address) Manufacturer() string {
	if !a.Proprietary() {
		return ""
	}
	return string(a[1:4])
}

// Listener is the talker that a query asks, else empty.
func (a Address) Listener() string {
	if !a.Query() {
		return ""
	}
	return string(a[2:4])
}

// Proprietary reports whether the sentence is a manufacturer's own.
func (a Address) Proprietary() bool { return a[0] == 'P' }

// Query reports whether the sentence asks another talker for a sentence; field 0 is then the formatter asked for.
func (a Address) Query() bool { return a[0] != 'P' && a[4] == 'Q' && a[5] == 0 }

func (a *Address) len() int {
	n := 0
	for n < MaxAddress && a[n] != 0 {
		n++
	}
	return n
}

func (a *Address) talker() []byte {
	if a[0] == 'P' {
		return a[:1]
	}
	return a[:min(2, a.len())]
}

func (a *Address) formatter() []byte {
	n := a.len()
	switch {
	case a[0] == 'P':
		return a[1:n]
	case a.Query():
		return a[4:5]
	}
	return a[min(2, n):n]
}

// addressLen is the length of the address field at the front of b, or 0 when there is none: five letters or digits, or
// "P" and three to fifteen more, ended by a comma, an asterisk, a line end or the end of b.
func addressLen(b []byte) int {
	n := 0
	for n < len(b) && isAlnum(b[n]) {
		n++
		if n > MaxAddress {
			return 0
		}
	}
	if n < len(b) && b[n] != ',' && b[n] != '*' && b[n] != '\r' && b[n] != '\n' {
		return 0
	}
	switch {
	case n == 5 && !isDigit(b[0]), n >= 4 && upper(b[0]) == 'P':
		return n
	}
	return 0
}

func isDigit(c byte) bool { return c-'0' < 10 }

func isAlnum(c byte) bool { return c-'0' < 10 || c|0x20-'a' < 26 }

func upper(c byte) byte {
	if c-'a' < 26 {
		c -= 0x20
	}
	return c
}
