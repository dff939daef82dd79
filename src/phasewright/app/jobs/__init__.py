"""The jobs: what a person asks for, once, in Python. The command line and the page call these and nothing else.

Every job takes a campaign folder and returns a frozen record. Rooms are imported inside the jobs so that
``phasewright --help`` stays quick.
"""

from phasewright.app.jobs.analyzing import analyze, answered, losses, to_json_text, wants
from phasewright.app.jobs.campaign import NewResult, check, new, read
from phasewright.app.jobs.designing import design, design_space, kept_design, new_design
from phasewright.app.jobs.files import write_atomically
from phasewright.app.jobs.foreseeing import bounds, known_model, model, predict, preflight
from phasewright.app.jobs.invented import DEMO_MARK, DemoResult, demo, demo_live
from phasewright.app.jobs.progress import Progress, part_of
from phasewright.app.jobs.publishing import compare, compare_library, package, report, require_pdf, verify
from phasewright.app.jobs.recording import attend_record, begin_record, record, verify_record

__all__ = [
    "DEMO_MARK", "DemoResult", "NewResult", "Progress", "analyze", "answered", "attend_record", "begin_record", "bounds",
    "check", "compare", "compare_library", "demo", "demo_live", "design", "design_space", "kept_design", "known_model", "losses",
    "model", "new", "new_design", "package", "part_of", "predict", "preflight", "read", "record", "report", "require_pdf",
    "to_json_text", "verify", "verify_record", "wants", "write_atomically",
]  # fmt: skip
