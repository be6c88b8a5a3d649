"""Works out the same figures with exact fractions and decimals.

Reads one case a line from standard input and writes one line for each, so
that one process serves all of them. It shares no code and no formula text
with the package: capacity comes from laying out blocks, chances from decimal
powers, times from fractions.
"""

import sys
from decimal import ROUND_HALF_UP, Decimal, getcontext
from fractions import Fraction

getcontext().prec = 60
getcontext().Emin, getcontext().Emax = -999999, 999999


def groups_of(kind, members, copies, groups):
    """Sizes of the sets that lose data on their own, and what each bears."""
    if kind == "striped":
        return [1] * members, 0
    if kind == "mirrored":
        return [members], members - 1
    if kind == "striped mirrors":
        return [copies] * (members // copies), copies - 1
    parity = 2 if kind.startswith("double") else 1
    if kind.endswith("groups"):
        return [members // groups] * groups, parity
    return [members], parity


def text(size, base, names, places):
    """Largest unit with at least one of it after rounding."""
    value, quantum = Decimal(size), Decimal(1).scaleb(-places)
    for name in names:
        shown = value.quantize(quantum, rounding=ROUND_HALF_UP)
        if shown < base or name == names[-1]:
            shown = format(shown, "f")
            if "." in shown:
                shown = shown.rstrip("0").rstrip(".")
            return shown + " " + name
        value = value / base


DECIMAL = "B kB MB GB TB PB EB".split()
BINARY = "B KiB MiB GiB TiB PiB EiB".split()


def seconds(size, rate):
    return -(-size * 10**9 // rate)  # nanoseconds, rounded up


def figures(kind, copies, groups, spares, rate, verify, errors, mttf, mttr, places, sizes):
    drives = [int(s) for s in sizes.split(",")]
    copies, groups, spares, rate, verify, places = map(int, (copies, groups, spares, rate, verify, places))
    members = len(drives) - spares
    each = sorted(drives)[0]
    sets, bears = groups_of(kind, members, copies, groups)
    usable = sum((g - bears) * each for g in sets)
    raw = sum(drives)

    reads = each if "mirror" in kind else (sets[0] - bears) * each
    chance = Decimal(0)
    if bears:
        chance = 1 - (1 - Decimal(errors)) ** (8 * reads)

    life, repair = Fraction(mttf), Fraction(mttr)
    loss = life / sum(sets)
    for lost in range(bears):
        loss = loss * life / ((sets[0] - 1 - lost) * repair)
    return [
        raw, usable, bears, bears * len(sets), reads if bears else 0,
        "%.17e" % chance, "%.17e" % (Decimal(loss.numerator) / Decimal(loss.denominator)),
        seconds(each, rate) if bears else 0, seconds(each, verify),
        text(usable, 1000, DECIMAL, places), text(usable, 1024, BINARY, places),
    ]


for line in sys.stdin:
    print(*figures(*line.rstrip("\n").split("\t")), sep="\t")
