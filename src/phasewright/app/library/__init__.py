"""The library: every campaign below a folder, found again in milliseconds, and one question put to all of them.

The folders are the truth. The index beside them only saves time: it may be deleted at any moment, and whatever in it no
longer matches its folder is seen and not used.
"""

from phasewright.app.library.asking import GROUPINGS, Answered, Offer, Question, Setting, answer, question_of
from phasewright.app.library.entries import KEPT, Entry, marks_of
from phasewright.app.library.index import INDEX_FILE, Library, Refreshed

__all__ = [
    "GROUPINGS", "INDEX_FILE", "KEPT", "Answered", "Entry", "Library", "Offer", "Question", "Refreshed", "Setting",
    "answer", "marks_of", "question_of",
]  # fmt: skip
