"""Times of the page: server time per request, first chart visible, page weight, a timeline of 100 million samples, memory.

Run alone on a quiet machine: python benchmarks/page.py [--browser]. Numbers are printed, nothing is asserted.
"""

import argparse
import gzip
import importlib.util
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]


def load_conftest():
    spec = importlib.util.spec_from_file_location("page_conftest", ROOT / "tests" / "web" / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["page_conftest"] = module
    spec.loader.exec_module(module)
    return module


def median_ms(ask, count: int = 15) -> float:
    ask()
    times = []
    for _ in range(count):
        start = time.perf_counter()
        ask()
        times.append(time.perf_counter() - start)
    return 1e3 * statistics.median(times)


def timeline(samples: int) -> None:
    """Time the pyramid of a long trace and views of it, drawn."""
    from phasewright.logs import ClockMap, Trace, build_pyramid, view_trace
    from phasewright.report import Layout, TracePanel, timeline_svg

    with tempfile.TemporaryDirectory() as folder:
        value = np.lib.format.open_memmap(f"{folder}/value.npy", "w+", np.float64, (samples,))
        stamp = np.lib.format.open_memmap(f"{folder}/time.npy", "w+", np.int64, (samples,))
        generator = np.random.default_rng(1)
        for start in range(0, samples, 1 << 22):
            stop = min(start + (1 << 22), samples)
            value[start:stop] = 300 + generator.standard_normal(stop - start)
            stamp[start:stop] = np.arange(start, stop) * 50_000_000
        value[samples // 3] = 900.0
        trace = Trace("input_power", "W", "meter", stamp, value, None, "end", ((0, samples),))
        clock = ClockMap("meter", 0, "meter", "reference", 0, 0.0, 0.0)
        start = time.perf_counter()
        pyramid = build_pyramid(value)
        print(f"timeline, {samples:.0e} samples: pyramid built in {time.perf_counter() - start:.2f} s, "
              f"{sum(a.nbytes for a in (*pyramid.lows, *pyramid.highs)) / 1e6:.0f} MB")
        end = samples * 0.05
        at = np.random.default_rng(2)
        slowest = {}
        for name, share in (("whole", 1.0), ("a tenth", 0.1), ("a thousandth", 1e-3), ("50 s", 50 / end)):
            times = []
            for _ in range(12):
                first = 0.0 if share == 1.0 else at.uniform(0, end * (1 - share))
                start = time.perf_counter()
                view = view_trace(trace, (clock,), pyramid, first_s=first, last_s=first + end * share, buckets=1086)
                panel = TracePanel("input_power", "W", "meter", view)
                timeline_svg([panel], (), first_s=first, last_s=first + end * share, layout=Layout(1150.0), title="x")
                times.append(1e3 * (time.perf_counter() - start))
            slowest[name] = (statistics.median(times), max(times))
        for name, (median, most) in slowest.items():
            print(f"  pan at {name:14s} median {median:6.1f} ms, slowest {most:6.1f} ms a trace")


def at_work(served, home: str) -> None:
    """Time the timeline and what if from four viewers at once while a job computes."""
    import threading

    sys.setswitchinterval(0.001)  # as `serve` sets it
    place = served.place("demo")
    times: dict[str, list[float]] = {"timeline": [], "what if": []}
    busy = served.desk.begin_study(place)

    def view(seed: int) -> None:
        at = np.random.default_rng(seed)
        while busy.active and sum(map(len, times.values())) < 400:
            for name, path in (("timeline", f"{home}/timeline?from={at.uniform(0, 2000):.1f}&to={at.uniform(2100, 4000):.1f}"),
                               ("what if", f"{home}/whatif?phases=5&load={at.uniform(200, 320):.0f}+W")):  # fmt: skip
                start = time.perf_counter()
                served.client.get(path).raise_for_status()
                times[name].append(1e3 * (time.perf_counter() - start))

    viewers = [threading.Thread(target=view, args=(seed,)) for seed in range(4)]
    for viewer in viewers:
        viewer.start()
    for viewer in viewers:
        viewer.join()
    for name, taken in times.items():
        print(f"  while a job computes, 4 viewers: {name:9s} median {statistics.median(taken):6.1f} ms, "
              f"95 % below {np.quantile(taken, 0.95):6.1f} ms ({len(taken)} answers)")


def large(tools, size: float) -> None:
    """Bring a campaign with one log of `size` bytes to its timeline, and tell time and memory."""
    from phasewright.app import jobs

    with tempfile.TemporaryDirectory() as root:
        folder = Path(root) / "large"
        jobs.new(folder)
        path, at = folder / "logs" / "meter.csv", np.random.default_rng(3)
        path.parent.mkdir(exist_ok=True)
        with path.open("wb") as stream:
            stream.write(b"time [s],Input power [W]\n")
            row = 0
            while stream.tell() < size:
                power = 300 + 20 * np.sin(np.arange(row, row + 200_000) / 4e5) + at.standard_normal(200_000)
                stream.write("".join(f"{0.01 * (row + k):.2f},{x:.2f}\n" for k, x in enumerate(power.tolist())).encode())
                row += 200_000
        print(f"a campaign of {path.stat().st_size / 1e9:.2f} GB, {row / 1e6:.0f} million rows")
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        start = time.perf_counter()
        jobs.read(folder, path, instrument="meter", choose=_sources)
        print(f"  read and mapped in {time.perf_counter() - start:.1f} s")
        served = tools.Served(Path(root))
        place = served.place("large")
        home = f"/campaign/{place.id}"
        start = time.perf_counter()
        served.client.get(f"{home}/record")
        print(f"  record {served.wait(place.id, 'record', within=600).state} in {time.perf_counter() - start:.1f} s")
        served.client.get(f"{home}/record")
        turn = iter(range(10**6))
        asked = median_ms(lambda: served.client.get(f"{home}/timeline?from={1000 + 97 * next(turn)}&to={9e4 + 97 * next(turn)}"))
        print(f"  pan {asked:.1f} ms; memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB "
              f"(before {before:.0f} MB)")
        served.stop()


def _sources(question):
    """Return the suggested map of a log that is read: channel -> source."""
    best = question.suggested_map()
    from phasewright.bench import ChannelSource, ColumnTerm

    return {channel: ChannelSource(channel, (ColumnTerm((column,)),)) for channel, column in best.items()}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--browser", action="store_true", help="time the first chart in a real browser")
    parser.add_argument("--samples", type=float, default=1e8)
    parser.add_argument("--large", type=float, default=0.0, help="bytes of one log, such as 1e9; nothing else is timed")
    wanted = parser.parse_args()
    tools = load_conftest()
    if wanted.large:
        large(tools, wanted.large)
        return
    from phasewright.live import demo_scenario, make_campaign

    with tempfile.TemporaryDirectory() as root:
        make_campaign(Path(root) / "demo", demo_scenario(), 1)
        served = tools.Served(Path(root))
        place = served.place("demo")
        home = f"/campaign/{place.id}"
        start = time.perf_counter()
        served.client.get(home)
        while served.desk.study(place) is None:
            time.sleep(0.01)
        print(f"first answers of the demo after {time.perf_counter() - start:.2f} s (raw logs, nothing kept)")
        served.wait(place.id, "study")
        print(f"model and all after {time.perf_counter() - start:.2f} s")
        served.client.get(f"{home}/record")
        served.wait(place.id, "record")
        turn = iter(range(10**6))
        for name, path in (
            ("list of campaigns", "/"), ("campaign", home), ("campaign, another step", home + "?step={}"),
            ("what if", home + "/whatif?phases=5&load={}+W"), ("every phase count", home + "/whatif?strip=1&load={}+W"),
            ("two steps", home + "/pair?a=1&b=4"), ("timeline, 8 traces, two widths", home + "/timeline?from={}&to=2500"),
            ("table as CSV", home + "/tables/verdicts.csv"), ("figure as SVG", home + "/figures/heat.svg"),
            ("logs", home + "/logs"), ("bench", home + "/bench"), ("guide", home + "/guide"),
        ):  # fmt: skip
            ask = lambda path=path: served.client.get(path.format(200 + next(turn) % 200) if "step={}" not in path  # noqa: E731
                                                      else path.format(1 + next(turn) % 13)).raise_for_status()  # fmt: skip
            print(f"  {name:32s} {median_ms(ask):7.1f} ms")
        at_work(served, home)
        page = served.client.get(home).text.encode()
        from phasewright.app.web.view import assets

        shipped = sum(len(asset.packed) for name, asset in assets().items() if name.endswith((".js", ".css", ".svg")))
        print(f"page of the demo: {len(gzip.compress(page, 5)) / 1e3:.0f} kB + {shipped / 1e3:.0f} kB style and script, "
              f"compressed ({len(page) / 1e3:.0f} kB plain)")
        if wanted.browser:
            browser = tools.Browser()
            tab = browser.tab()
            tab.open(f"{served.origin}/#t={served.gate.token}")
            tab.until("!!document.querySelector('.bar') && !location.hash")
            tab.open(served.origin + home)
            print("first chart in the browser: " + tab.run(
                "(() => {const n = performance.getEntriesByType('navigation')[0], p = performance.getEntriesByType('paint');"
                "return `first paint ${Math.round(p.at(-1)?.startTime)} ms, page whole ${Math.round(n.loadEventEnd)} ms`})()"
            ))
            browser.stop()
        served.stop()
    print(f"memory of the process: at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")
    timeline(int(wanted.samples))


if __name__ == "__main__":
    main()
