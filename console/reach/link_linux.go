package reach

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"time"

	"github.com/mdlayher/arp"
	"github.com/mdlayher/ndp"
	"github.com/mdlayher/packet"
)

// EtherTypes of RFC 826 and RFC 2464.
const (
	etherARP  = 0x0806
	etherIPv6 = 0x86dd
)

// question is what is asked on a link: a frame to send, where to, and how to
// read what comes.
type question struct {
	ether int
	frame []byte
	to    net.HardwareAddr
	owner func(payload []byte, from net.HardwareAddr) string // who has the address; "": it does not say
}

// onLink probes for addr on an interface, and tells who has it.
func onLink(ctx context.Context, iface string, addr netip.Addr, o ProbeOptions) (owner string, err error) {
	ifi, err := net.InterfaceByName(iface)
	if err != nil {
		return "", fmt.Errorf("interface %s: %w", iface, err)
	}
	if len(ifi.HardwareAddr) != 6 {
		return "", fmt.Errorf("interface %s is no Ethernet", iface)
	}
	ask := arpQuestion
	if addr.Is6() {
		ask = ndQuestion
	}
	q, err := ask(ifi, addr)
	if err != nil {
		return "", fmt.Errorf("making a probe for %s: %w", addr, err)
	}
	conn, err := packet.Listen(ifi, packet.Datagram, q.ether, nil)
	if errors.Is(err, os.ErrPermission) {
		return "", errors.New("this bench may not open raw sockets (it needs root or CAP_NET_RAW)")
	}
	if err != nil {
		return "", fmt.Errorf("opening a raw socket on %s: %w", iface, err)
	}
	defer conn.Close()
	return q.ask(ctx, conn, o)
}

// ask sends the probes and listens all the while.
func (q question) ask(ctx context.Context, conn *packet.Conn, o ProbeOptions) (string, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { conn.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	sent := make(chan error, 1)
	go func() {
		defer cancel()
		sent <- q.send(ctx, conn, o)
	}()
	owner, err := q.listen(conn)
	cancel()
	if sendErr := <-sent; sendErr != nil && owner == "" {
		err = sendErr
	}
	return owner, err
}

func (q question) send(ctx context.Context, conn *packet.Conn, o ProbeOptions) error {
	for i := range o.Count {
		if !wait(ctx, o.pause(i)) {
			return nil
		}
		if _, err := conn.WriteTo(q.frame, &packet.Addr{HardwareAddr: q.to}); err != nil {
			return fmt.Errorf("sending a probe: %w", err)
		}
	}
	wait(ctx, o.Listen)
	return nil
}

func (q question) listen(conn *packet.Conn) (string, error) {
	buf := make([]byte, 2048)
	for {
		n, from, err := conn.ReadFrom(buf)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return "", nil
		}
		if err != nil {
			return "", fmt.Errorf("listening for an answer: %w", err)
		}
		sender, _ := from.(*packet.Addr)
		if sender == nil {
			continue
		}
		if owner := q.owner(buf[:n], sender.HardwareAddr); owner != "" {
			return owner, nil
		}
	}
}

// arpQuestion is an ARP probe: sender address 0.0.0.0, target hardware
// address zero (RFC 5227 section 2.1.1).
func arpQuestion(ifi *net.Interface, addr netip.Addr) (question, error) {
	broadcast := net.HardwareAddr{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	p, err := arp.NewPacket(arp.OperationRequest, ifi.HardwareAddr, netip.IPv4Unspecified(), make(net.HardwareAddr, 6), addr)
	if err != nil {
		return question{}, err
	}
	frame, err := p.MarshalBinary()
	return question{ether: etherARP, frame: frame, to: broadcast, owner: func(payload []byte, _ net.HardwareAddr) string {
		var got arp.Packet
		if got.UnmarshalBinary(payload) != nil || string(got.SenderHardwareAddr) == string(ifi.HardwareAddr) {
			return ""
		}
		switch {
		case got.SenderIP == addr:
			return got.SenderHardwareAddr.String()
		case got.Operation == arp.OperationRequest && got.SenderIP.IsUnspecified() && got.TargetIP == addr:
			return got.SenderHardwareAddr.String() + ", which is probing for it at this moment,"
		}
		return ""
	}}, err
}

// ndQuestion is a neighbour solicitation for duplicate address detection:
// from the unspecified address to the solicited-node multicast address,
// without a source link-layer option (RFC 4861 section 4.3, RFC 4862 section
// 5.4.2).
func ndQuestion(ifi *net.Interface, addr netip.Addr) (question, error) {
	addr = addr.WithZone("")
	group, err := ndp.SolicitedNodeMulticast(addr)
	if err != nil {
		return question{}, err
	}
	message, err := ndp.MarshalMessageChecksum(&ndp.NeighborSolicitation{TargetAddress: addr}, netip.IPv6Unspecified(), group)
	if err != nil {
		return question{}, err
	}
	low := group.As16()
	to := net.HardwareAddr{0x33, 0x33, low[12], low[13], low[14], low[15]} // RFC 2464 section 7
	return question{ether: etherIPv6, frame: append(ipv6Header(group, len(message)), message...), to: to,
		owner: func(payload []byte, from net.HardwareAddr) string {
			if string(from) == string(ifi.HardwareAddr) {
				return ""
			}
			return ndOwner(payload, addr, from)
		}}, nil
}

const (
	ipv6HeaderLen = 40
	nextICMPv6    = 58
)

// ipv6Header is a header from the unspecified address. The hop limit is 255,
// which no router lets through: the frame cannot leave the link, and an
// answer with another one did not come from it (RFC 4861 section 7.1).
func ipv6Header(to netip.Addr, payload int) []byte {
	h := make([]byte, ipv6HeaderLen)
	h[0] = 6 << 4
	binary.BigEndian.PutUint16(h[4:], uint16(payload))
	h[6], h[7] = nextICMPv6, 255
	copy(h[24:], to.AsSlice())
	return h
}

// ndOwner reads a packet: an advertisement of the address, or somebody
// else's question whether it is taken, which RFC 4862 section 5.4.3 counts
// as well.
func ndOwner(p []byte, addr netip.Addr, from net.HardwareAddr) string {
	if len(p) < ipv6HeaderLen || p[0]>>4 != 6 || p[6] != nextICMPv6 || p[7] != 255 {
		return ""
	}
	payload := p[ipv6HeaderLen:]
	if n := int(binary.BigEndian.Uint16(p[4:])); n < len(payload) {
		payload = payload[:n]
	}
	source, _ := netip.AddrFromSlice(p[8:24])
	message, err := ndp.ParseMessage(payload)
	if err != nil {
		return ""
	}
	switch m := message.(type) {
	case *ndp.NeighborAdvertisement:
		if m.TargetAddress == addr {
			return from.String()
		}
	case *ndp.NeighborSolicitation:
		if m.TargetAddress == addr && source.IsUnspecified() {
			return from.String() + ", which is probing for it at this moment,"
		}
	}
	return ""
}
