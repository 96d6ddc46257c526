"""What the Python binding costs: run it with a Python in which a release wheel of stopline is installed.

    python benches/binding.py

Least of many runs, in time of the processor; the two threads need a machine with two free cores.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable

import numpy as np
import stopline


def best(work: Callable[[], object], runs: int = 300, clock: Callable[[], float] = time.process_time) -> float:
    """Seconds of the processor, which other work on the machine disturbs least."""
    times = []
    for _ in range(runs):
        start = clock()
        work()
        times.append(clock() - start)
    return min(times)


def line(name: str, value: str) -> None:
    print(f"{name:<64} {value}")


def push() -> None:
    plan = stopline.Plan.given([(30, 41, 42)], k=1.2, inadequate=1.0, adequate=2.0)
    sites = 20

    def walk() -> None:
        push = stopline.Walk(plan).push
        for _ in range(sites):
            push(1)

    line("push of a site, with its decision", f"{best(walk) / sites * 1e6:8.2f} µs")


def evaluation() -> None:
    means = np.linspace(0.2, 4.0, 1000)
    plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0, false_adequate=0.05, false_inadequate=0.05,
                         min_sites=1, max_sites=60, method="wald")
    whole = best(lambda: stopline.evaluate(plan, means))
    # What is refused at its last mean has converted all of them and done no work.
    def refused(means: np.ndarray) -> Callable[[], None]:
        def ask() -> None:
            try:
                stopline.evaluate(plan, means)
            except stopline.StoplineError:
                pass

        return ask

    converted = best(refused(np.append(means, -1.0))) - best(refused(np.array([-1.0])))
    trivial = stopline.Plan.given([(1, 0, 1)], k=1.2)
    one = best(lambda: stopline.evaluate(trivial, [1.0]))
    line("evaluation of 1000 means, thresholds 1 and 2, 60 sites", f"{whole * 1e6:8.1f} µs")
    line("  converting the means", f"{converted * 1e6:8.2f} µs")
    line("  a call, with one mean and a plan of one check", f"{one * 1e6:8.2f} µs")
    curve = stopline.evaluate(plan, means)
    line("  a column of it", f"{best(lambda: curve.adequate) * 1e6:8.2f} µs")


def two_threads() -> None:
    plan = stopline.plan(k=0.8, inadequate=8.0, adequate=16.0, max_sites=200, method="wald")
    means = np.linspace(1.0, 40.0, 41)

    def work() -> None:
        for _ in range(100):
            stopline.evaluate(plan, means)

    wall = time.perf_counter

    def both() -> None:
        threads = [threading.Thread(target=work) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    line("exact evaluation: work of 2 threads in the time of 1", f"{2 * best(work, 7, wall) / best(both, 7, wall):8.2f} ×")


def importing() -> None:
    timed = "import time, numpy; a = time.process_time(); import stopline; print(time.process_time() - a)"
    beyond = min(float(subprocess.check_output([sys.executable, "-c", timed])) for _ in range(20))
    line("import stopline, beyond import numpy", f"{beyond * 1e3:8.1f} ms")


if __name__ == "__main__":
    print(f"stopline {stopline.__version__}, numpy {np.__version__}, Python {sys.version.split()[0]}")
    for measure in (push, evaluation, two_threads, importing):
        measure()
