"""Answers one question a line by Python's ipaddress, for comparison."""
import ipaddress
import sys


def subnet(text):
    n = ipaddress.ip_network(text, strict=False)
    small = n.prefixlen >= n.max_prefixlen - 1
    first = n.network_address if small else n.network_address + 1
    last = n.broadcast_address
    if n.version == 4 and not small:
        last -= 1
    mask = str(n.netmask) if n.version == 4 else "-"
    return f"{n} {mask} {first} {last} {int(last) - int(first) + 1}"


def address(text):
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        return "refused"


def mask(text):
    try:
        # A mask, not the inverted form that this library takes as well.
        n = ipaddress.ip_network("0.0.0.0/" + text)
    except ValueError:
        return "refused"
    return str(n.prefixlen) if str(n.netmask) == text else "refused"


def overlap(text):
    a, b = (ipaddress.ip_network(t, strict=False) for t in text.split())
    return str(a.overlaps(b))


def holds(text):
    n, a = text.split()
    return str(ipaddress.ip_address(a) in ipaddress.ip_network(n, strict=False))


ask = {"subnet": subnet, "address": address, "mask": mask, "overlap": overlap, "holds": holds}
for line in sys.stdin:
    kind, _, text = line.rstrip("\n").partition("\t")
    print(ask[kind](text))
