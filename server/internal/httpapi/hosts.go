package httpapi

import (
	"net"
	"slices"
	"strings"
)

// hosts are the names by which the server may be called.
type hosts struct {
	host, port string   // listened on
	any        bool     // on all addresses of the machine
	names      []string // from the site's file
}

func newHosts(listen string, names []string) hosts {
	h := hosts{names: names}
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return h
	}
	h.host, h.port = strings.ToLower(host), port
	ip := net.ParseIP(host)
	h.any = host == "" || ip != nil && ip.IsUnspecified()
	return h
}

// allow tells whether a Host header names this server. Loopback names are allowed with any port, for those who come
// through a tunnel: no foreign page can have such a name.
func (h hosts) allow(header string) bool {
	host, port, err := net.SplitHostPort(header)
	if err != nil {
		host, port = strings.Trim(header, "[]"), ""
	}
	host = strings.TrimSuffix(strings.ToLower(host), ".")
	if host == "" {
		return false
	}
	ip := net.ParseIP(host)
	switch {
	case host == "localhost" || ip != nil && ip.IsLoopback():
		return true
	case slices.Contains(h.names, host):
		return true
	case h.any && ip != nil: // an address cannot be pointed elsewhere, as a name can
		return port == h.port || port == ""
	}
	return host == h.host && (port == h.port || port == "")
}
