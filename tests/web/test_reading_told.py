"""The page tells of a log that was brought in what the terminal tells: mapped, refused, repaired, doubted, with counts."""

import re

LOG = "bench logger\ntime [s];power [W];temp [°C]\n" + "".join(
    f"{i};{'1_000' if i == 30 else 300 + i % 7 * 0.5};{-127 if i % 9 == 4 else 45 + i % 5 * 0.3}\n" for i in range(90)
)


def test_what_was_read_is_told_line_by_line(empty):
    empty.post("/new", **{
        "campaign-name": "Told", "name": "open bench", "board-name": "board A", "regulator-name": "main",
        "regulator-phase_count": "10", "cooling-coolant": "air",
    })  # fmt: skip
    place = empty.place("told")
    answer = empty.client.put(
        f"/campaign/{place.id}/logs", params={"name": "bench.csv"}, content=LOG.encode("utf-8"),
        headers={**empty.ours, "content-type": "application/octet-stream"},
    )  # fmt: skip
    job = empty.wait(place.id, "read", states=("asking", "failed"))
    assert job.state == "asking"
    asked = empty.client.get(answer.headers["location"]).text
    assert "Refused (1)" in asked and "line 33" in asked
    chosen = {}
    for row, head in enumerate(re.findall(r'<div class="head"><b>(.*?)</b>', asked)):
        chosen[f"column-{row}"] = {"power [W]": "input_power", "temp [°C]": "regulator_temperature"}.get(head, "")
    assert empty.post(f"/job/{job.id}/map", **chosen).status_code == 200
    assert empty.wait(place.id, "read", states=("done", "failed")).state == "done"
    done = re.sub(r"\s+", " ", empty.client.get(answer.headers["location"]).text)
    assert "is in: 90 rows, 2 channels" in done
    assert re.search(r"<td>300, 300.5, 301 W</td>", done), done
    assert re.search(r"<td>line 33</td><td>power \[W\]: not a number \(1_000\)</td>", done), done
    assert "Values that no sensor took, or that contradict each other (10)" in done
    assert re.search(r"<td>10 times from line 7</td><td>temp \[°C\]: jumps to -127 °C", done), done
