"""What the Python binding costs, beside the same work in Rust.

    python benches/binding.py

Run it with a Python in which a release wheel of stopline is installed, and with cargo: Rust's times are those of
`cargo bench -p stopline-benches --bench binding`, run first (`--without-rust` leaves them out). Least of many runs, of
Python in time of the processor; the two threads need a machine with two free cores.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import stopline

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "python" / "tests"))
from long_work import WORK  # noqa: E402


def rust() -> dict[str, float]:
    """Least seconds of each benchmark in Rust."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        command = ["cargo", "bench", "--quiet", "-p=stopline-benches", "--bench=binding"]
        subprocess.run(command, cwd=HERE, env=os.environ | {"CRITERION_HOME": folder}, check=True, stdout=sys.stderr)
        for sample in Path(folder).glob("binding-*/*/new/sample.json"):
            kept = json.loads(sample.read_text())
            name = f"{sample.parts[-4]}/{sample.parts[-3]}"
            found[name] = 1e-9 * min(time / many for time, many in zip(kept["times"], kept["iters"], strict=True))
    return found


def best(work: Callable[[], object], runs: int = 300, clock: Callable[[], float] = time.process_time) -> float:
    """Seconds of the processor, which other work on the machine disturbs least."""
    times = []
    for _ in range(runs):
        start = clock()
        work()
        times.append(clock() - start)
    return min(times)


def line(name: str, python: str, in_rust: str = "", cost: str = "") -> None:
    print(f"{name:<64} {python:>12} {in_rust:>12} {cost:>16}".rstrip())


def micro(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds * 1e6:.2f} µs"


def push(own: dict[str, float]) -> None:
    plan = stopline.Plan.given([(30, 41, 42)], k=1.2, inadequate=1.0, adequate=2.0)
    sites = 20

    def walk() -> None:
        push = stopline.Walk(plan).push
        for _ in range(sites):
            push(1)

    whole, kept = best(walk) / sites, own.get("binding-push-20/rust")
    alone = None if kept is None else kept / sites
    line("push of a site", micro(whole), micro(alone), "" if alone is None else "+ " + micro(whole - alone))


def evaluation(own: dict[str, float]) -> None:
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
    alone = own.get("binding-evaluate-1000/rust")
    more = "" if alone is None else f"{100 * (whole / alone - 1):+.1f} %"
    line("evaluation of 1000 means, thresholds 1 and 2, 60 sites", micro(whole), micro(alone), more)
    line("  converting the means", micro(converted))
    line("  a call, with one mean and a plan of one check", micro(one))
    curve = stopline.evaluate(plan, means)
    line("  a column of it", micro(best(lambda: curve.adequate)))


def two_threads(own: dict[str, float]) -> None:
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

    one, two = own.get("binding-threads/one"), own.get("binding-threads/two")
    in_rust = "" if one is None or two is None else f"{2 * one / two:.2f} ×"
    line("exact evaluation: work of 2 threads in the time of 1", f"{2 * best(work, 7, wall) / best(both, 7, wall):.2f} ×", in_rust)


def interrupting(_: dict[str, float]) -> None:
    """Longest wait of ten for each work."""
    for name, prepare in WORK.items():
        work, waits = prepare(), []
        for i in range(10):
            sent = []

            def send() -> None:
                sent.append(time.perf_counter())
                os.kill(os.getpid(), signal.SIGINT)

            threading.Timer(0.2 + 0.01 * i, send).start()
            try:
                work()
                raise SystemExit(f"{name} came to its end")
            except KeyboardInterrupt:
                waits.append(time.perf_counter() - sent[0])
        line(f"from Ctrl-C to the end: {name}", f"{max(waits) * 1e3:.0f} ms")


def importing(_: dict[str, float]) -> None:
    timed = "import time, numpy; a = time.process_time(); import stopline; print(time.process_time() - a)"
    beyond = min(float(subprocess.check_output([sys.executable, "-c", timed])) for _ in range(20))
    line("import stopline, beyond import numpy", f"{beyond * 1e3:.1f} ms")


if __name__ == "__main__":
    print(f"stopline {stopline.__version__}, numpy {np.__version__}, Python {sys.version.split()[0]}")
    own = {} if "--without-rust" in sys.argv[1:] else rust()
    line("", "Python", "Rust", "the binding")
    for measure in (push, evaluation, two_threads, interrupting, importing):
        measure(own)
