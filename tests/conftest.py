"""Order of the files where two processes share them: the long ones begin first, so that both end at about one time."""

from pathlib import Path

LONG = ("web", "live", "model", "report", "house")


def pytest_collection_modifyitems(items):
    """Put the folders with the longest tests in front; within a folder, and within a file, nothing moves."""
    folder = {item.path: item.path.relative_to(Path(__file__).parent).parts[0] for item in items}
    items.sort(key=lambda item: LONG.index(folder[item.path]) if folder[item.path] in LONG else len(LONG))
