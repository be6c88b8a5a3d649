package reach

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"time"

	probing "github.com/prometheus-community/pro-bing"
)

// echo sends ICMP echo requests until one is answered or ctx ends: over the
// datagram sockets that need no rights where the system has them, else over
// raw ones. The error says which way was taken.
func echo(ctx context.Context, addr netip.Addr, from Source) (answer string, err error) {
	allowed := false
	for _, raw := range []bool{false, true} {
		asked, rtt, err := ping(ctx, addr, from, raw)
		switch {
		case rtt > 0:
			return fmt.Sprintf("echo answered in %s", milliseconds(rtt)), nil
		case asked && unreachable(err):
			return "", errors.New("ICMP echo: host unreachable")
		}
		allowed = allowed || asked
		if ctx.Err() != nil {
			break
		}
		if asked {
			break // the other way would ask the same again
		}
	}
	if !allowed {
		return "", errors.New("this bench is not allowed to send an ICMP echo")
	}
	return "", errors.New("no answer to an ICMP echo")
}

// ping asks one way; asked is false when the system does not allow it.
func ping(ctx context.Context, addr netip.Addr, from Source, raw bool) (asked bool, rtt time.Duration, err error) {
	p := probing.New(addr.String())
	p.SetPrivileged(raw)
	p.SetLogger(probing.NoopLogger{}) // it would log to standard error
	p.Interval = 500 * time.Millisecond
	p.RecordRtts = false
	if local := from.local(); local.IsValid() {
		p.Source = local.String()
	}
	if deadline, ok := ctx.Deadline(); ok {
		p.Timeout = max(time.Until(deadline), time.Millisecond)
	}
	p.OnSetup = func() { asked = true }
	p.OnRecv = func(got *probing.Packet) {
		rtt = max(got.Rtt, time.Nanosecond)
		p.Stop()
	}
	err = p.RunWithContext(ctx)
	return asked, rtt, err
}

func milliseconds(d time.Duration) string {
	return fmt.Sprintf("%.1f ms", float64(d)/float64(time.Millisecond))
}
