"""Who asks for a page, and how that is found out."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass

from shoegoal.record.accounts import Role
from shoegoal.record.logins import Session


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody who was let in.

    Attributes
    ----------
    name : of their account, under which all they do is written down; None for whoever was given
        the key of a page on this computer, who types it.
    role : what they may see and do.
    pupil_id, pupil : whose sets a student sees.
    class_name : the one class that a coach checks; None for all.
    csrf : that each of their forms carries, and no page of another site knows.
    """

    name: str | None
    role: Role
    pupil_id: int | None
    pupil: str | None
    class_name: str | None
    csrf: str

    @classmethod
    def with_key(cls, key: str) -> Visitor:
        """Whoever sits at this computer, as a teacher."""
        csrf = hmac.new(key.encode(), b"forms", hashlib.sha256).hexdigest()
        return cls(None, Role.TEACHER, None, None, None, csrf)

    @classmethod
    def logged_in(cls, session: Session) -> Visitor:
        """Somebody with an account."""
        one = session.account
        return cls(one.name, one.role, one.pupil_id, one.pupil, one.class_name, session.csrf)

    @property
    def is_teacher(self) -> bool:
        """Whether everything is open to them."""
        return self.role is Role.TEACHER

    def may_see_pupil(self, pupil_id: int) -> bool:
        """Whether sets of a pupil may be shown, name and tally included."""
        return self.is_teacher or (self.role is Role.STUDENT and self.pupil_id == pupil_id)

    def may_check_class(self, class_name: str) -> bool:
        """Whether shots of a class may be spot-checked."""
        if self.role is Role.STUDENT:
            return False
        return self.class_name is None or self.class_name == class_name
