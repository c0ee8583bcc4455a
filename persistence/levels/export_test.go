package levels

// Seal makes any bytes pass for sealed ones, so that tests reach what lies behind the checksum.
func Seal(b []byte) []byte { return seal(append([]byte{version}, b...), 0) }
