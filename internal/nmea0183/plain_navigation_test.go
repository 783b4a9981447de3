package nmea0183

import "math"

// plainGGA reads time, latitude, N/S, longitude, E/W, quality, satellites, HDOP, altitude, M (gpsd NMEA page), and
// shorter forms. Quality 7 and 8 (typed in, simulated) and letters without a position are accepted.
func plainGGA(r *plain) {
	mode := ModeUnknown
	if r.s.Has(5) {
		quality := r.letter(5)
		if quality < '0' || quality > '8' {
			r.bad = true
		} else {
			mode = Mode("NADPRFEMS"[quality-'0'])
		}
	}
	r.timeOfDay(0, mode)
	r.position(1, mode, mode != ModeNone)
	satellites, ok := r.whole(6, math.MinInt, math.MaxInt)
	r.value(SatellitesUsed, ReferenceNone, float64(satellites), ok)
	n, ok := r.number(7)
	r.put(Reading{Quantity: HorizontalDilution, Value: n, Available: ok && mode != ModeNone, Mode: mode})
	n, ok = r.number(8)
	r.put(Reading{Quantity: Altitude, Value: n, Mode: mode,
		Available: ok && mode != ModeNone && (r.is(9, 'M') || !r.s.Has(9))})
}

// plainGNS reads time, latitude, N/S, longitude, E/W, a mode letter for each satellite system, satellites, HDOP,
// altitude. The best mode counts.
func plainGNS(r *plain) {
	mode := ModeUnknown
	for _, letter := range r.s.Field(5) {
		m := plainModeOf(upper(letter))
		r.bad = r.bad || m == ModeUnknown
		if mode == ModeUnknown || mode == ModeNone {
			mode = m
		}
	}
	fix := mode != ModeNone
	r.timeOfDay(0, mode)
	r.position(1, mode, fix)
	satellites, ok := r.whole(6, math.MinInt, math.MaxInt)
	r.value(SatellitesUsed, ReferenceNone, float64(satellites), ok)
	n, ok := r.number(7)
	r.put(Reading{Quantity: HorizontalDilution, Value: n, Mode: mode, Available: fix && ok})
	n, ok = r.number(8)
	r.put(Reading{Quantity: Altitude, Value: n, Mode: mode, Available: fix && ok})
}

// plainGLL reads latitude, N/S, longitude, E/W, time, status, mode (gpsd NMEA page); the oldest form ends after the
// longitude.
func plainGLL(r *plain) {
	valid, mode := r.status(5, 6)
	r.position(0, mode, valid)
	if r.s.NumFields() > 4 {
		r.timeOfDay(4, mode)
	}
}

// plainRMC reads time, status, latitude, N/S, longitude, E/W, speed, course, date, variation, E/W, mode (gpsd NMEA
// page). What comes after the course may be missing.
func plainRMC(r *plain) {
	valid, mode := r.status(1, 11)
	r.dateTime(valid, mode)
	r.position(2, mode, valid)
	speed, ok := r.number(6)
	r.put(Reading{Quantity: SpeedOverGround, Value: speed * knot, Available: ok && valid, Mode: mode})
	course, ok := r.number(7)
	r.angle(CourseOverGround, True, course, ok && valid)
	if r.s.NumFields() > 10 {
		variation, ok := r.eastWest(9)
		r.value(Variation, ReferenceNone, variation*radian, ok && valid)
	}
}

// plainVTG reads course, T, course, M, speed, N, speed, K, mode (gpsd NMEA page) and the old form without the letters:
// true course, magnetic course, knots, km/h.
func plainVTG(r *plain) {
	step := 2
	if r.s.NumFields() == 4 {
		step = 1
	}
	mode := ModeUnknown
	if step == 2 {
		mode = r.mode(8)
	}
	valid := mode != ModeNone
	for i, ref := range [...]Reference{True, Magnetic} {
		course, ok := r.number(i * step)
		r.angle(CourseOverGround, ref, course, ok && valid && r.unit(step, i*step+1, "TM"[i]))
	}
	speed, ok := r.speedPair(2*step, 3*step, step)
	r.put(Reading{Quantity: SpeedOverGround, Value: speed, Available: ok && valid, Mode: mode})
}

// plainVHW reads heading, T, heading, M, speed, N, speed, K (gpsd NMEA page) and a form of four numbers without the
// letters (from memory).
func plainVHW(r *plain) {
	step := 2
	if r.s.NumFields() == 4 && r.letter(1) != 'T' {
		step = 1
	}
	for i, ref := range [...]Reference{True, Magnetic} {
		heading, ok := r.number(i * step)
		r.angle(Heading, ref, heading, ok && r.unit(step, i*step+1, "TM"[i]))
	}
	speed, ok := r.speedPair(2*step, 3*step, step)
	r.value(SpeedThroughWater, Water, speed, ok)
}

// unit checks the letter after a number in a form that has letters; an empty one is let pass.
func (r *plain) unit(step, i int, letter byte) bool {
	return step == 1 || !r.s.Has(i) || r.is(i, letter)
}

// speedPair reads a speed given in knots and again in km/h, in m/s; either will do.
func (r *plain) speedPair(knots, kilometres, step int) (float64, bool) {
	if x, ok := r.number(knots); ok && r.unit(step, knots+1, 'N') {
		return x * knot, true
	}
	x, ok := r.number(kilometres)
	return x * kmh, ok && r.unit(step, kilometres+1, 'K')
}

// plainHDT reads heading, T; the T may be missing.
func plainHDT(r *plain) {
	heading, ok := r.lettered(0, 'T')
	r.angle(Heading, True, heading, ok)
}

// Where no source is named the forms are those of the gpsd NMEA page, as go-nmea reads them too: the tests hold one to
// the other.

// plainHDM reads heading, M.
func plainHDM(r *plain) {
	heading, ok := r.lettered(0, 'M')
	r.angle(Heading, Magnetic, heading, ok)
}

// plainTHS reads heading and a mode: autonomous, estimated, manual, simulated or not valid.
func plainTHS(r *plain) {
	heading, ok := r.number(0)
	switch r.letter(1) {
	case 'A', 'E', 'M', 'S':
	case 'V':
		ok = false
	default:
		r.bad = r.bad || r.s.Has(1)
	}
	r.angle(Heading, True, heading, ok)
}

// plainHDG reads sensor heading, deviation, E/W, variation, E/W (gpsd NMEA page); what comes after the heading may be
// missing. The magnetic heading is the sensor's with the deviation added; an empty deviation is taken for none (common
// practice, no source).
func plainHDG(r *plain) {
	heading, ok := r.number(0)
	deviation, known := r.eastWest(1)
	r.angle(Heading, Magnetic, wrapDegrees(heading+deviation), ok)
	if r.s.NumFields() > 2 {
		r.value(Deviation, ReferenceNone, deviation*radian, known)
	}
	if r.s.NumFields() > 4 {
		variation, known := r.eastWest(3)
		r.value(Variation, ReferenceNone, variation*radian, known)
	}
}

// plainROT reads rate of turn in degrees a minute, status.
func plainROT(r *plain) {
	rate, ok := r.number(0)
	r.value(RateOfTurn, ReferenceNone, rate*radian/60, r.valid(1) && ok)
}

// eastWest reads degrees east or west, east positive; a zero needs no letter.
func (r *plain) eastWest(i int) (float64, bool) {
	if x, ok := decimal(r.s.Field(i)); ok && x == 0 && !r.s.Has(i+1) {
		return 0, true
	}
	return r.signed(i, 'E', 'W')
}

// plainDPT reads depth below the transducer, offset, largest range (gpsd NMEA page); the depth may come alone.
func plainDPT(r *plain) {
	depth, ok := r.number(0)
	offset, has := r.number(1)
	r.put(Reading{Quantity: Depth, Reference: Transducer, Value: depth, Available: ok && depth >= 0,
		Offset: offset, HasOffset: has})
}

// plainDBT reads depth below the transducer in feet, f, metres, M, fathoms, F (gpsd NMEA page); feet may come alone.
func plainDBT(r *plain) { r.depth(Transducer) }

func (r *plain) depth(ref Reference) {
	depth, ok := r.number(2)
	if !ok {
		if depth, ok = r.number(0); ok {
			depth *= foot
		} else if depth, ok = r.number(4); ok {
			depth *= fathom
		}
	}
	r.value(Depth, ref, depth, ok && depth >= 0)
}

// plainDBK reads depth below the keel as plainDBT does that below the transducer.
func plainDBK(r *plain) { r.depth(Keel) }

// plainDBS reads depth below the surface likewise.
func plainDBS(r *plain) { r.depth(Surface) }

// plainZDA reads time, day, month, year, zone hours, zone minutes (gpsd NMEA page); the zone may be missing.
func plainZDA(r *plain) {
	seconds, ok := r.clock(0)
	day, okDay := r.whole(1, 1, 31)
	month, okMonth := r.whole(2, 1, 12)
	year, okYear := r.whole(3, 1980, 9999)
	t, valid := moment(year, month, day, seconds)
	known := ok && okDay && okMonth && okYear
	r.bad = r.bad || known && !valid
	r.value(Time, ReferenceNone, t, known && valid)
}

// status reads the status letter A or V and the mode letter. A missing status is taken for valid: old forms had none.
func (r *plain) status(status, mode int) (valid bool, m Mode) {
	m = r.mode(mode)
	valid = true
	if r.s.Has(status) {
		switch r.letter(status) {
		case 'A', 'D': // D: differential, which some old receivers write here (from memory)
		case 'V':
			valid = false
		default:
			r.bad, valid = true, false
		}
	}
	return valid && m != ModeNone, m
}

// mode reads the mode letter. A letter that is none of the standard's is some manufacturer's own and counts as unknown.
func (r *plain) mode(i int) Mode { return plainModeOf(r.letter(i)) }

func plainModeOf(letter byte) Mode {
	m := Mode(letter)
	switch m {
	case ModeAutonomous, ModeDifferential, ModeEstimated, ModeFloat, ModeManual,
		ModeNone, ModePrecise, ModeKinematic, ModeSimulated:
		return m
	}
	return ModeUnknown
}

// position reads latitude, N/S, longitude and E/W from the four fields at i.
func (r *plain) position(i int, mode Mode, valid bool) {
	latitude, okLat := r.coordinate(i, 90, 'N', 'S')
	longitude, okLon := r.coordinate(i+2, 180, 'E', 'W')
	r.put(Reading{Quantity: Position, Value: latitude, Longitude: longitude, Mode: mode,
		Available: okLat && okLon && valid})
}

// coordinate reads degrees and minutes as dddmm.mmmm and the letter of the half of the globe, in degrees.
func (r *plain) coordinate(i int, limit float64, plus, minus byte) (float64, bool) {
	b := r.s.Field(i)
	if len(b) == 0 {
		return 0, false
	}
	x, ok := decimal(b)
	if !ok || x < 0 || b[0] == '-' || b[0] == '+' {
		r.bad = true
		return 0, false
	}
	whole := float64(int(min(x, 1e6)) / 100)
	minutes := x - whole*100
	degrees := whole + minutes/60
	letter := r.letter(i + 1)
	if minutes >= 60 || degrees > limit || letter != plus && letter != minus {
		r.bad = true
		return 0, false
	}
	if letter == minus {
		degrees = -degrees
	}
	return degrees, true
}

// clock reads hhmmss with or without a fraction, in seconds since midnight. A leap second is accepted.
func (r *plain) clock(i int) (float64, bool) {
	b := r.s.Field(i)
	if len(b) == 0 {
		return 0, false
	}
	x, ok := decimal(b)
	if !ok || !isDigit(b[0]) || len(b) < 6 || len(b) > 6 && b[6] != '.' {
		r.bad = true
		return 0, false
	}
	hhmm := int(x) / 100
	seconds := x - float64(hhmm*100)
	hours, minutes := hhmm/100, hhmm%100
	if hours > 23 || minutes > 59 || seconds >= 61 {
		r.bad = true
		return 0, false
	}
	return float64(hours*3600+minutes*60) + seconds, true
}

// timeOfDay appends the time in field i. A receiver without a fix sends its own clock's time, which is not available.
func (r *plain) timeOfDay(i int, mode Mode) {
	seconds, ok := r.clock(i)
	r.put(Reading{Quantity: TimeOfDay, Value: seconds, Available: ok && mode != ModeNone, Mode: mode})
}

// dateTime appends the time of an RMC sentence: hhmmss in field 0 and ddmmyy in field 8.
func (r *plain) dateTime(valid bool, mode Mode) {
	seconds, ok := r.clock(0)
	x := Reading{Quantity: TimeOfDay, Value: seconds, Available: ok && valid, Mode: mode}
	if date := r.s.Field(8); len(date) > 0 {
		n, isNumber := integer(date)
		year := int(n%100) + 2000
		if year >= 2080 { // two digits: 80 to 99 are last century's (common practice, no source)
			year -= 100
		}
		t, isDate := moment(year, int(n/100%100), int(n/10000), seconds)
		if !isNumber || !isDate || len(date) != 6 || n < 0 {
			r.bad, isDate = true, false
		}
		x.Quantity, x.Value, x.Available = Time, t, x.Available && isDate
	}
	r.put(x)
}

// whole reads a whole number from low to high.
func (r *plain) whole(i, low, high int) (int, bool) {
	b := r.s.Field(i)
	if len(b) == 0 {
		return 0, false
	}
	n, ok := integer(b)
	if !ok || n < int64(low) || n > int64(high) {
		r.bad = true
		return 0, false
	}
	return int(n), true
}
