"""Feed currents reckoned a second time, by brute force: for every state the
instantaneous currents of all cords are added up and their root mean square
taken. One case a line in, the results a line out.

in:  feeds units, then for each feed: phases volts, then for each unit:
     watts factor cords, then for each cord: feed pair (0 to 5: L1-L2 L2-L3
     L3-L1 L1-N L2-N L3-N; one phase: 0)
out: for each feed and each state (none failed, then each feed failed, the own
     left out): three line currents and the neutral; then heat in BTU/h
"""
import sys
from math import cos, pi, sqrt

STEPS = 3  # a sine wave's mean square is exact from three points of a period
CONDUCTORS = [(0, 1), (1, 2), (2, 0), (0, 3), (1, 3), (2, 3)]
PHASE = [0.0, -2 * pi / 3, 2 * pi / 3]  # of the line voltages


def potential(conductor, k):
    """Instantaneous voltage of a conductor; the lines have amplitude 1."""
    return 0.0 if conductor == 3 else cos(2 * pi * k / STEPS / 2 + PHASE[conductor])


# Shape of the current of each pair, scaled to an RMS of 1. Half steps: three
# points over half a period serve as well, since the square has half the period.
SHAPES = []
for p, q in CONDUCTORS:
    wave = [potential(p, k) - potential(q, k) for k in range(STEPS)]
    rms = sqrt(sum(x * x for x in wave) / STEPS)
    SHAPES.append([x / rms for x in wave])

for text in sys.stdin:
    f = iter(text.split())
    nfeeds, nunits = int(next(f)), int(next(f))
    feeds = [(int(next(f)), float(next(f))) for _ in range(nfeeds)]
    units = []
    for _ in range(nunits):
        watts, factor, ncords = float(next(f)), float(next(f)), int(next(f))
        units.append((watts, factor, [(int(next(f)), int(next(f))) for _ in range(ncords)]))
    out = []
    for own, (phases, volts) in enumerate(feeds):
        for failed in [-1] + [x for x in range(nfeeds) if x != own]:
            waves = [[0.0] * STEPS for _ in range(4)]
            plain = 0.0
            for watts, factor, cords in units:
                live = [c for c in cords if c[0] != failed]
                for feed, pair in live:
                    if feed != own:
                        continue
                    va = watts / factor / len(live)
                    if phases == 1:
                        plain += va / volts
                        continue
                    amps = va / (volts if pair < 3 else volts / sqrt(3))
                    p, q = CONDUCTORS[pair]
                    for k in range(STEPS):
                        waves[p][k] += amps * SHAPES[pair][k]
                        waves[q][k] -= amps * SHAPES[pair][k]
            if phases == 1:
                out += [plain, 0.0, 0.0, 0.0]
            else:
                out += [sqrt(sum(x * x for x in w) / STEPS) for w in waves]
    out.append(sum(u[0] for u in units) * 3600 / 1055.05585262)
    print(*map(repr, out))
