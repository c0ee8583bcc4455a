package api

import (
	"crypto/rand"
	"encoding/hex"
	"strings"
)

// traceID returns the trace id of a traceparent header (W3C Trace Context, 3.2), empty unless it is a valid one.
func traceID(header string) string {
	const versionLen, idLen, parentLen, flagsLen = 2, 32, 16, 2
	version, rest, _ := strings.Cut(header, "-")
	id, rest, _ := strings.Cut(rest, "-")
	parent, rest, _ := strings.Cut(rest, "-")
	flags, _, more := strings.Cut(rest, "-")
	switch {
	case !lowerHex(version, versionLen), version == "ff", version == "00" && more,
		!lowerHex(id, idLen), !lowerHex(parent, parentLen), !lowerHex(flags, flagsLen),
		strings.Trim(id, "0") == "", strings.Trim(parent, "0") == "":
		return ""
	}
	return id
}

func lowerHex(s string, n int) bool {
	for _, b := range []byte(s) {
		if (b < '0' || b > '9') && (b < 'a' || b > 'f') {
			return false
		}
	}
	return len(s) == n
}

// newRequestID returns an id for a request: the trace's, where it is part of one, and a random one.
func newRequestID(trace string) string {
	var b [12]byte
	rand.Read(b[:])
	id := hex.EncodeToString(b[:])
	if trace != "" {
		return trace + "-" + id
	}
	return id
}
