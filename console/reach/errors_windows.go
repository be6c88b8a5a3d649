package reach

import "golang.org/x/sys/windows"

// Windows has numbers of its own for what its sockets say.
const (
	errRefusedHere     = windows.WSAECONNREFUSED
	errUnreachableHere = windows.WSAEHOSTUNREACH
)
