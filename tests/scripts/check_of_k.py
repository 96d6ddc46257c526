#!/usr/bin/env python3
"""How often the check of k alarms on a known plan (numpy): an enumeration apart from the core's, and simulated walks.

A look after each site from the third alarms where P(sum of x(x-1)/2 >= seen | sites, total) at k 2 is at most the
level. Weights w(x) = G(x+k)/(G(k)x!) of paths are summed over (total, pairs), free of the mean. Printed: the largest
level at which at most 5 walks in 100 are alarmed at any mean, with looks at the stop counted and without, and how
often walks with k 1 are alarmed then.
"""
import numpy as np

LOWER = [-1, -1, -1, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42]
UPPER = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43]
K, MOST, FIRST, FALSE_ALARMS = 2.0, 64, 3, 0.05
PAIRS = MOST * (MOST - 1) // 2 + 1
MEANS = np.exp(np.linspace(np.log(0.05), np.log(12), 240))
TOLD = (1.5, 2.12, 3.0)


def weights(k):
    w = [1.0]
    for x in range(1, MOST + 1):
        w.append(w[-1] * (k + x - 1) / x)
    return w


def one_more(places, w):
    found = np.zeros_like(places)
    for x in range(MOST + 1):
        pairs = x * (x - 1) // 2
        found[x:, pairs:] += w[x] * places[: MOST + 1 - x, : PAIRS - pairs]
    return found


def start():
    places = np.zeros((MOST + 1, PAIRS))
    places[0, 0] = 1
    return places


def chances():
    """P(so many pairs or more | sites, total) at k 2."""
    places, found = start(), []
    for _ in UPPER:
        places = one_more(places, weights(K))
        above = np.cumsum(places[:, ::-1], axis=1)[:, ::-1]
        found.append(above / above[:, :1])
    return found


CHANCES = chances()


def goes_on(at, total):
    return (np.array(LOWER)[at] < total) & (total < np.array(UPPER)[at])


def alarms(level, k, at_stop):
    """Weight of paths first alarmed after each site, by total."""
    places, found = start(), np.zeros((len(UPPER), MOST + 1))
    for at in range(len(UPPER)):
        places = one_more(places, weights(k))
        on = goes_on(at, np.arange(MOST + 1))
        if at + 1 >= FIRST:
            alarm = CHANCES[at] <= level
            if not at_stop:
                alarm = alarm & on[:, None]
            found[at] = np.where(alarm, places, 0).sum(1)
            places[alarm] = 0
        places[~on] = 0
    return found


def alarmed(found, k, m):
    sites, total = np.arange(1, len(UPPER) + 1)[:, None], np.arange(MOST + 1)[None, :]
    return float((found * np.exp(total * np.log(m / (k + m)) + sites * k * np.log(k / (k + m)))).sum())


def worst(level, at_stop):
    found = alarms(level, K, at_stop)
    return max((alarmed(found, K, m), m) for m in MEANS)


def largest_level(at_stop):
    low, high = 0.02, 0.08
    while high - low > 2e-5:
        middle = (low + high) / 2
        low, high = (middle, high) if worst(middle, at_stop)[0] <= FALSE_ALARMS else (low, middle)
    return low


def simulated(level, k, m, walks, random):
    total, pairs = np.zeros(walks, int), np.zeros(walks, int)
    on, alarm = np.ones(walks, bool), np.zeros(walks, bool)
    for at in range(len(UPPER)):
        x = random.negative_binomial(k, k / (k + m), walks) * on
        total, pairs = total + x, pairs + x * (x - 1) // 2
        if at + 1 >= FIRST:
            seen = on & (total <= MOST)
            alarm |= seen & (CHANCES[at][np.minimum(total, MOST), np.minimum(pairs, PAIRS - 1)] <= level)
        on &= goes_on(at, total)
    return alarm.mean(), np.sqrt(alarm.mean() * (1 - alarm.mean()) / walks)


def main():
    random = np.random.default_rng(1)
    for at_stop in (True, False):
        level = largest_level(at_stop)
        print("looks at the stop", "counted" if at_stop else "not counted", "among false alarms: level %.4f" % level)
        print("  false alarms, looks at the stop counted: %.4f at mean %.2f" % worst(level, True))
        found = alarms(level, 1.0, True)
        for m in TOLD:
            p, se = simulated(level, 1.0, m, 200_000, random)
            print("  k 1, mean %.2f: %.4f (simulated %.4f, se %.4f)" % (m, alarmed(found, 1.0, m), p, se))


if __name__ == "__main__":
    main()
