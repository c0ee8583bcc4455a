package outbound

import (
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"syscall"
)

// errNotPublic is about an address that a message must not go to.
var errNotPublic = errors.New("the address is not public")

// notPublic are blocks that no public host has, beside those that [netip.Addr]
// knows. Source: IANA registries of special-purpose addresses, IPv4 and IPv6 (MEMORY).
var notPublic = prefixes(
	"0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15",
	"198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4",
	"::/96",        // IPv4 in the last bytes, long given up
	"64:ff9b::/96", // these lead to IPv4 addresses
	"64:ff9b:1::/48",
	"2002::/16",
	"2001::/23",
	"100::/64", "2001:db8::/32", "3fff::/20", "5f00::/16", "fec0::/10",
)

func prefixes(texts ...string) []netip.Prefix {
	ps := make([]netip.Prefix, len(texts))
	for i, t := range texts {
		ps[i] = netip.MustParsePrefix(t)
	}
	return ps
}

// Allow reads a list of addresses and blocks, "10.1.2.3, fd00:1::/64", that messages
// may go to although they are not public.
func Allow(list string) ([]netip.Prefix, error) {
	var allowed []netip.Prefix
	for text := range strings.FieldsFuncSeq(list, func(r rune) bool { return r == ',' || r == ' ' }) {
		p, err := netip.ParsePrefix(text)
		if err != nil {
			a, addrErr := netip.ParseAddr(text)
			if addrErr != nil {
				return nil, fmt.Errorf("%q is neither an address nor a block such as 10.1.2.0/24", text)
			}
			p = netip.PrefixFrom(a, a.BitLen())
		}
		allowed = append(allowed, p.Masked())
	}
	return allowed, nil
}

// guard refuses to connect to addresses that are not public, unless they are
// allowed. It sees the address dialled, so a name that resolves to such an
// address, now or at the second look, leads nowhere.
type guard []netip.Prefix

func (g guard) control(network, address string, _ syscall.RawConn) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil || !strings.HasPrefix(network, "tcp") || !g.allows(at.Addr()) {
		return errNotPublic
	}
	return nil
}

func (g guard) allows(a netip.Addr) bool {
	a = a.Unmap().WithZone("")
	for _, p := range g {
		if p.Contains(a) {
			return true
		}
	}
	if !a.IsGlobalUnicast() || a.IsPrivate() {
		return false
	}
	for _, p := range notPublic {
		if p.Contains(a) {
			return false
		}
	}
	return true
}
