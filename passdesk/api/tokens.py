"""Who calls, by the token in the Authorization header (RFC 6750), looked up for every request."""

from __future__ import annotations

from typing import TYPE_CHECKING

from passdesk.api.problems import Problem, ProblemError
from passdesk.services.access import Callers

if TYPE_CHECKING:
    from collections.abc import Set as AbstractSet

    from passdesk.services.access import Caller, Scope
    from passdesk.store.engine import Store

_REALM = 'Bearer realm="passdesk"'


class Tokens:
    """Finds callers in one instance's database; safe to use from many threads at once."""

    def __init__(self, store: Store) -> None:
        self._callers = Callers(store)

    def admit(self, header: str | None, scopes: AbstractSet[Scope]) -> Caller:
        """Give the caller that an Authorization header names.

        Args:
            header: the header's value, None when there was none.
            scopes: of which the token must have one.

        Raises:
            ProblemError: no token, one that is unknown or ended (401, in the same words), or one
                of another scope (403).
        """
        secret = _secret_in(header)
        if secret is None:
            raise _refused(401, "Give a token: Authorization: Bearer TOKEN.", "")
        caller = self._callers.find(secret)
        if caller is None:
            detail = "This token is not known here, or was ended."
            raise _refused(401, detail, ', error="invalid_token"')
        if caller.scope not in scopes:
            wanted = " ".join(sorted(scopes))
            detail = f"This needs a token with the scope {wanted.replace(' ', ' or ')}."
            raise _refused(403, detail, f', error="insufficient_scope", scope="{wanted}"')
        return caller


def _secret_in(header: str | None) -> str | None:
    scheme, _, secret = (header or "").partition(" ")
    return secret.strip() or None if scheme.lower() == "bearer" else None


def _refused(status: int, detail: str, more: str) -> ProblemError:
    return ProblemError(Problem(status, detail, headers={"WWW-Authenticate": _REALM + more}))
