"""Makes larkmoor.csv: invented counts of natural enemies on the invented Larkmoor estate.

    python3 make.py           writes the file beside this script
    python3 make.py --check   fails unless the file there is what would be written

The enemies at a site are negative binomial with the mean and the clumping k of the field (variance
m + m^2/k); each is then of one of four groups, independently. Only Random.random() is used, whose
numbers for a given seed are the same in every version of Python.
"""

import random
import sys
from pathlib import Path

SEED = 26

# Groups of enemies and, by crop, how common each is among all enemies.
GROUPS = ("lady_beetles", "pirate_bugs", "lacewings", "spiders")
SHARES = {"soybean": (0.22, 0.43, 0.11, 0.24), "sorghum": (0.48, 0.26, 0.15, 0.11)}

# Field, crop, k, mean per site of three plants on each of two visits, sites walked on each.
FIELDS = (
    ("bobolink", "soybean", 1.6, (0.9, 1.7), (30, 30)),
    ("dickcissel", "soybean", 1.2, (1.4, 2.2), (30, 28)),
    ("goldfinch", "soybean", 2.4, (2.6, 3.9), (27, 30)),
    ("killdeer", "soybean", 1.1, (0.6, 1.1), (30, 25)),
    ("meadowlark", "soybean", 1.5, (1.8, 2.9), (28, 30)),
    ("swallow", "soybean", 4.0, (1.2, 2.0), (25, 26)),
    ("kestrel", "sorghum", 1.0, (2.1, 4.6), (30, 30)),
    ("nighthawk", "sorghum", 1.3, (0.7, 1.5), (30, 27)),
    ("oriole", "sorghum", 2.0, (3.1, 5.0), (26, 30)),
    ("plover", "sorghum", 0.5, (1.6, 3.0), (30, 30)),
    ("thrasher", "sorghum", 1.1, (1.0, 1.9), (29, 30)),
    ("wheatear", "sorghum", 1.8, (0.5, 1.3), (30, 25)),
)
PLANTS = 3
# One cell in this many was not recorded.
NOT_RECORDED = 400


def negative_binomial(mean, k, u):
    """The smallest x with P(X <= x) > u."""
    p = (k / (k + mean)) ** k
    below, x = p, 0
    while below <= u and x < 1000:
        p *= (k + x) / (x + 1) * mean / (k + mean)
        below += p
        x += 1
    return x


def pick(shares, u):
    """The place in shares under which u falls."""
    for place, share in enumerate(shares):
        u -= share
        if u < 0:
            return place
    return len(shares) - 1


def table():
    draw = random.Random(SEED).random
    lines = [",".join(("field", "crop", "visit", "site", "plants", *GROUPS))]
    for field, crop, k, means, walked in FIELDS:
        for visit, (mean, sites) in enumerate(zip(means, walked), start=1):
            for site in range(1, sites + 1):
                counts = [0] * len(GROUPS)
                for _ in range(negative_binomial(mean, k, draw())):
                    counts[pick(SHARES[crop], draw())] += 1
                cells = ["NA" if draw() * NOT_RECORDED < 1 else count for count in counts]
                lines.append(",".join(map(str, (field, crop, visit, site, PLANTS, *cells))))
    return "".join(line + "\n" for line in lines).encode()


def main():
    file = Path(__file__).with_name("larkmoor.csv")
    if sys.argv[1:] != ["--check"]:
        file.write_bytes(table())
    elif file.read_bytes() != table():
        sys.exit(f"{file} is not what make.py writes")


if __name__ == "__main__":
    main()
