"""Prove a data package: every fingerprint, then every number from the raw logs again."""

from __future__ import annotations

import json
import math
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from phasewright.bench import Fault, LogFault
from phasewright.logs import file_hash

DESCRIPTOR = "datapackage.json"
TOLERANCE = 1e-9
"""[1] Numbers agree when they differ by no more than this share: sums may be taken in another order elsewhere."""
MOST_BYTES = 64 * 2**30
"""Largest package that is unpacked [byte]."""
BLOCK = 1 << 20
SHOWN = 20

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Reproduced:
    """What came of checking a data package."""

    package: Path
    files: int
    """Files whose size and SHA-256 were compared."""
    numbers: int
    """Numbers and words of the results that were compared."""
    differences: tuple[str, ...]
    """What differs, each with its place and both values; empty = proven."""
    written_with: str
    """Version that wrote the package."""

    @property
    def proven(self) -> bool:
        """Whether everything agrees."""
        return not self.differences


def reproduce(
    package: Path, analyze: Callable[[Path], Mapping[str, Any]], progress: Progress
) -> Reproduced:
    """Unpack a package (or take a folder that holds one), compare its fingerprints, analyze it again, compare.

    `analyze` takes a campaign folder and returns its analysis as JSON data. Raises LogFault when `package` is none.
    """
    with tempfile.TemporaryDirectory(prefix="phasewright-") as work:
        progress(0.0, "unpacking the package")
        folder, descriptor = _unpacked(package, Path(work))
        progress(0.3, "comparing fingerprints")
        count, differences = _compare_files(folder, descriptor)
        numbers = 0
        if not differences:
            progress(0.4, "analyzing the raw logs again")
            stated = json.loads((folder / "results" / "analysis.json").read_text(encoding="utf-8"))
            found = analyze(folder)
            pairs = list(_leaves(stated, found, ""))
            numbers = len(pairs)
            differences = [text for text in pairs if text]
    told = [*differences[:SHOWN]]
    if len(differences) > SHOWN:
        told.append(f"and {len(differences) - SHOWN} more")
    progress(1.0, "compared")
    version = descriptor.get("phasewright", {}).get("version", "") if isinstance(descriptor, dict) else ""
    return Reproduced(package, count, numbers, tuple(told), str(version))


def _refuse(package: Path, what: str, mend: str) -> LogFault:
    return LogFault([Fault(str(package), what, mend)])


def _unpacked(package: Path, work: Path) -> tuple[Path, dict[str, Any]]:
    """Return the folder that holds the package, always a copy of our own, and its descriptor."""
    want = f"give the zip file that `phasewright report DIR --package` wrote, or the folder it unpacks to, with {DESCRIPTOR}"
    if package.is_dir():
        if not (package / DESCRIPTOR).is_file():
            raise _refuse(package, f"the folder holds no {DESCRIPTOR}", want)
        descriptor = _descriptor(package, (package / DESCRIPTOR).read_bytes())
        for place in _places(package, descriptor):
            if (package / place).is_file():
                target = work / place
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes((package / place).read_bytes())
        return work, descriptor
    if not package.is_file():
        raise _refuse(package, "no such file", want)
    try:
        with zipfile.ZipFile(package) as archive:
            return _from_zip(package, archive, work, want)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        if isinstance(error, LogFault):
            raise
        raise _refuse(package, f"cannot be unpacked: {error}", want) from error


def _from_zip(package: Path, archive: zipfile.ZipFile, work: Path, want: str) -> tuple[Path, dict[str, Any]]:
    names = [name for name in archive.namelist() if PurePosixPath(name).name == DESCRIPTOR]
    names.sort(key=lambda name: (name.count("/"), name))
    if not names:
        raise _refuse(package, f"holds no {DESCRIPTOR}", want)
    top = names[0][: -len(DESCRIPTOR)]
    if archive.getinfo(names[0]).file_size > 16 * BLOCK:
        raise _refuse(package, f"{DESCRIPTOR} is {archive.getinfo(names[0]).file_size} bytes", want)
    descriptor = _descriptor(package, archive.read(names[0]))
    total = 0
    for place in _places(package, descriptor):
        if top + place not in archive.NameToInfo:
            continue
        target = work / place
        target.parent.mkdir(parents=True, exist_ok=True)
        with archive.open(top + place) as source, target.open("wb") as sink:
            while block := source.read(BLOCK):
                total += len(block)
                if total > MOST_BYTES:
                    what = f"unpacks to more than {MOST_BYTES >> 30} GiB"
                    raise _refuse(package, what, "unpack it yourself and give the folder")
                sink.write(block)
    return work, descriptor


def _descriptor(package: Path, content: bytes) -> dict[str, Any]:
    try:
        found = json.loads(content)
    except ValueError as error:
        raise _refuse(package, f"{DESCRIPTOR} is not JSON: {error}", "get the package again from its source") from error
    if not isinstance(found, dict) or not isinstance(found.get("resources"), list):
        raise _refuse(package, f"{DESCRIPTOR} lists no resources", "get the package again from its source")
    return found


def _places(package: Path, descriptor: Mapping[str, Any]) -> list[str]:
    """Return the paths of all resources; one that leads out of the package is refused."""
    found = []
    for item in descriptor["resources"]:
        place = item.get("path") if isinstance(item, dict) else None
        if not isinstance(place, str):
            raise _refuse(package, f"{DESCRIPTOR} has a resource without a path", "get the package again from its source")
        path = PurePosixPath(place)
        if path.is_absolute() or ".." in path.parts or "\\" in place or ":" in place or "\0" in place or not path.parts:
            raise _refuse(
                package, f"{DESCRIPTOR} names the path {place!r}, which leads out of the package",
                "do not use this package",
            )  # fmt: skip
        found.append(place)
    return found


def _compare_files(folder: Path, descriptor: Mapping[str, Any]) -> tuple[int, list[str]]:
    differences, places = [], set()
    for item in descriptor["resources"]:
        place = item["path"]
        places.add(place)
        path = folder / place
        if not path.is_file():
            differences.append(f"{place} is missing")
            continue
        digest, stated = file_hash(path), str(item.get("hash", ""))
        if stated != f"sha256:{digest}":
            differences.append(f"{place} has the fingerprint {digest[:12]}, stated is {stated[7:19] or 'none'}")
    for name in ("bench.toml", "campaign.toml", "results/analysis.json"):
        if name not in places:
            differences.append(f"{name} is not in the package")
    return len(descriptor["resources"]), differences


def _leaves(stated: Any, found: Any, where: str) -> Iterator[str]:
    """Yield '' for each leaf that agrees, else what differs and where."""
    if isinstance(stated, dict) and isinstance(found, dict):
        for key in [*stated, *(key for key in found if key not in stated)]:
            yield from _leaves(stated.get(key, _MISSING), found.get(key, _MISSING), f"{where}.{key}" if where else str(key))
    elif isinstance(stated, list) and isinstance(found, list):
        if len(stated) != len(found):
            yield f"{where}: {len(stated)} entries stated, {len(found)} found"
        for index, (one, other) in enumerate(zip(stated, found, strict=False)):
            yield from _leaves(one, other, f"{where}[{_name(one, index)}]")
    else:
        yield "" if _agree(stated, found) else f"{where}: stated {_told(stated)}, found {_told(found)}"


_MISSING = object()


def _name(entry: Any, index: int) -> str:
    for key in ("name", "log", "step", "quantity", "limit"):
        if isinstance(entry, dict) and isinstance(entry.get(key), str):
            return entry[key]
    return str(index)


def _agree(one: Any, other: Any) -> bool:
    numbers = [isinstance(item, int | float) and not isinstance(item, bool) for item in (one, other)]
    if all(numbers):
        return math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=1e-12)
    return one is not _MISSING and other is not _MISSING and type(one) is type(other) and one == other


def _told(item: Any) -> str:
    return "nothing" if item is _MISSING else repr(item)[:80]
