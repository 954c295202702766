// Package e2e holds the end-to-end tests: they build the three programs, run them as a user would, on pseudo-terminals,
// a real broker and loopback sockets, and hold what the server says against the simulator's truth. All of it is in
// the tests; nothing imports this package.
package e2e
