"""The revised lifting equation, written out a second time from NIOSH 94-110
(rev. 9/2021) alone: one case a line in, the results a line out.

in:  system load H V A H V A control rate duration coupling
out: RWL at the origin, at the destination, and the one that counts
"""
import sys
from bisect import bisect_left

TABLE = """
0.2 1.00 1.00 .95 .95 .85 .85
0.5 .97 .97 .92 .92 .81 .81
1 .94 .94 .88 .88 .75 .75
2 .91 .91 .84 .84 .65 .65
3 .88 .88 .79 .79 .55 .55
4 .84 .84 .72 .72 .45 .45
5 .80 .80 .60 .60 .35 .35
6 .75 .75 .50 .50 .27 .27
7 .70 .70 .42 .42 .22 .22
8 .60 .60 .35 .35 .18 .18
9 .52 .52 .30 .30 .00 .15
10 .45 .45 .26 .26 .00 .13
11 .41 .41 .00 .23 .00 .00
12 .37 .37 .00 .21 .00 .00
13 .00 .34 .00 .00 .00 .00
14 .00 .31 .00 .00 .00 .00
15 .00 .28 .00 .00 .00 .00
"""
ROWS = [[float(x) for x in line.split()] for line in TABLE.split("\n") if line]
RATES = [row[0] for row in ROWS]


def fm(rate, duration, low):
    column = 1 + 2 * duration + (0 if low else 1)
    rate = max(rate, 0.2)
    if rate > 15:
        return 0.0
    i = bisect_left(RATES, rate)
    if RATES[i] == rate:
        return ROWS[i][column]
    x0, x1 = RATES[i - 1], RATES[i]
    y0, y1 = ROWS[i - 1][column], ROWS[i][column]
    return (y0 * (x1 - rate) + y1 * (rate - x0)) / (x1 - x0)


def rwl(us, h, v, d, a, rate, duration, coupling, v_origin):
    if us:
        lc, hm, vm, dm = 51, 10 / max(h, 10), 1 - 0.0075 * abs(v - 30), 0.82 + 1.8 / max(d, 10)
        out, knuckle = h > 25 or v > 70 or d > 70, 30
    else:
        lc, hm, vm, dm = 23, 25 / max(h, 25), 1 - 0.003 * abs(v - 75), 0.82 + 4.5 / max(d, 25)
        out, knuckle = h > 63 or v > 175 or d > 175, 75
    if out or a > 135:
        return 0.0
    cm = {0: (0.90, 0.90), 1: (0.95, 1.00), 2: (1.00, 1.00)}[coupling][0 if v < knuckle else 1]
    return lc * hm * vm * dm * (1 - 0.0032 * a) * fm(rate, duration, v_origin < knuckle) * cm


for line in sys.stdin:
    f = line.split()
    us, control, duration, coupling = int(f[0]), int(f[8]), int(f[10]), int(f[11])
    h1, v1, a1, h2, v2, a2 = map(float, f[2:8])
    rate, d = float(f[9]), abs(v2 - v1)
    at = rwl(us, h1, v1, d, a1, rate, duration, coupling, v1)
    to = rwl(us, h2, v2, d, a2, rate, duration, coupling, v1)
    print(repr(at), repr(to), repr(min(at, to) if control else at))
