"""Accounts for tests: one of each role in the invented unit, with hashes that take no time."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from argon2 import PasswordHasher

from review import passphrases
from review.roles import Role
from review.signedin import SignIns
from review.store import Account, Store
from review.store import access as access_module

PASSPHRASE = "lamp fig otter tulip"
OTHER = "quiet brass window fern"

ACCOUNTS = {
    Role.TRAINER: ("tess", {"trainer": "T-1"}),
    Role.EDUCATOR: ("edda", {"trainer": "T-2"}),
    Role.PATIENT: ("pat", {"person": "K-104"}),
    Role.ADMINISTRATOR: ("ann", {}),
}


def quick_hashes(patch: pytest.MonkeyPatch) -> None:
    """Hashes of the same kind that take next to no time and memory."""
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    patch.setattr(passphrases, "_HASHER", quick)
    patch.setattr(access_module, "NOBODYS", quick.hash("nobody's own"))


def add_accounts(store: Store) -> dict[Role, Account]:
    """One account of each role, the administrator's first."""
    made = {}
    for role in reversed(ACCOUNTS):
        name, whose = ACCOUNTS[role]
        made[role] = store.add_account(name, role, PASSPHRASE, by="test", **whose)
    return made


@dataclass
class TwoClocks:
    """The two clocks of sign-ins, moved by hand: the steady one and the computer's own."""

    steady_s: float = 1000.0
    own_s: float = 1_750_000_000.0

    def forward(self, seconds: float) -> None:
        """Time passes."""
        self.steady_s += seconds
        self.own_s += seconds

    def sign_ins(self, idle_s: float = 1800.0) -> SignIns:
        """Sign-ins that go by these clocks."""
        return SignIns(idle_s, (lambda: self.steady_s, lambda: self.own_s))
