package outbound

import (
	"net/netip"
	"testing"
)

// Source of the blocks: IANA registries of special-purpose addresses (MEMORY), RFC
// 1918, 3927, 4193, 4291, 6598, 6890.
func TestGuard(t *testing.T) {
	t.Parallel()
	refused := []string{
		"127.0.0.1", "127.255.255.254", "::1", "0.0.0.0", "::", "0.1.2.3",
		"10.0.0.1", "172.16.0.1", "172.31.255.255", "192.168.1.1", "fd00::1", "fc00::1",
		"169.254.169.254", "fe80::1", "fe80::1%eth0", "fec0::1", "100.64.0.1", "100.127.255.255",
		"192.0.0.170", "192.0.2.1", "198.18.0.1", "198.19.255.255", "198.51.100.7", "203.0.113.9", "240.0.0.1", "255.255.255.255",
		"224.0.0.1", "239.1.1.1", "ff02::1", "ff0e::1",
		"::ffff:127.0.0.1", "::ffff:10.0.0.1", "::ffff:169.254.169.254", "::127.0.0.1",
		"64:ff9b::7f00:1", "64:ff9b:1::a00:1", "2002:7f00:1::", "2001:0:4136:e378:8000:63bf:3fff:fdd2", "2001:db8::1", "100::1",
	}
	for _, text := range refused {
		if guard(nil).allows(netip.MustParseAddr(text)) {
			t.Errorf("%s is allowed", text)
		}
	}
	for _, text := range []string{
		"1.1.1.1", "172.15.255.255", "172.32.0.1", "100.63.255.255", "100.128.0.1", "198.17.255.255", "192.167.1.1", "223.255.255.255",
		"2606:4700::1111", "2a00:1450::1", "::ffff:1.1.1.1",
	} {
		if !guard(nil).allows(netip.MustParseAddr(text)) {
			t.Errorf("%s, which is public, is refused", text)
		}
	}
	for _, network := range []string{"udp", "unix"} {
		if guard(nil).control(network, "1.1.1.1:443", nil) == nil {
			t.Errorf("control(%s) refuses nothing", network)
		}
	}
	if guard(nil).control("tcp4", "localhost:443", nil) == nil {
		t.Error("control takes a name for an address")
	}
}

func TestAllow(t *testing.T) {
	t.Parallel()
	allowed, err := Allow("10.1.2.3, 192.168.7.9/24,fd00:1::/64 ::1")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		"10.1.2.3": true, "::ffff:10.1.2.3": true, "10.1.2.4": false, "192.168.7.200": true, "192.168.8.1": false,
		"fd00:1::5": true, "fd00:2::5": false, "::1": true, "127.0.0.1": false, "1.1.1.1": true,
	} {
		if got := guard(allowed).allows(netip.MustParseAddr(text)); got != want {
			t.Errorf("allows(%s) = %t; want %t", text, got, want)
		}
	}
	if none, err := Allow(""); err != nil || len(none) != 0 {
		t.Errorf("Allow of nothing = %v, %v", none, err)
	}
	for _, bad := range []string{"jobs.example", "10.0.0.0/33", "10.0.0"} {
		if _, err := Allow(bad); err == nil {
			t.Errorf("Allow(%q) succeeds", bad)
		}
	}
}
