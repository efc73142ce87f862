"""People, consents, recordings, and all that was found and said about them, kept safely.

>>> import tempfile
>>> with tempfile.TemporaryDirectory() as folder, open_store(folder) as store:
...     store.add_person("P-001", by="an example").code
'P-001'
"""

from review.store.access_records import Account, SignInError
from review.store.analyses import KEEP
from review.store.records import (
    AnalysisVersion,
    Answer,
    AuditEntry,
    ChecklistAnswer,
    Comment,
    Consent,
    ConsentError,
    CorrectionSet,
    Decision,
    Moment,
    Outcome,
    Person,
    RecordingEntry,
    RecordingState,
    SessionRow,
    SignOff,
    StoreError,
    Trainer,
    Verdict,
    flag_topic,
    match_decision,
    match_decisions,
)
from review.store.store import Store, open_store

__all__ = [
    "KEEP",
    "Account",
    "AnalysisVersion",
    "Answer",
    "AuditEntry",
    "ChecklistAnswer",
    "Comment",
    "Consent",
    "ConsentError",
    "CorrectionSet",
    "Decision",
    "Moment",
    "Outcome",
    "Person",
    "RecordingEntry",
    "RecordingState",
    "SessionRow",
    "SignInError",
    "SignOff",
    "Store",
    "StoreError",
    "Trainer",
    "Verdict",
    "flag_topic",
    "match_decision",
    "match_decisions",
    "open_store",
]
