"""SQLite whose writers take turns.

SQLite's own wait is unfair: a writer that asks again and again may be passed over for seconds. Here
each transaction queues at a lock file before it begins, and the kernel serves the queue in order.
"""

import fcntl
from typing import IO, Any

from django.db.backends.sqlite3 import base


class DatabaseWrapper(base.DatabaseWrapper):
    """Django's SQLite, with a turn taken before BEGIN and given back after COMMIT or ROLLBACK."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._turn: IO[str] | None = None

    def _start_transaction_under_autocommit(self) -> None:
        self._take_turn()
        try:
            super()._start_transaction_under_autocommit()  # type: ignore[misc]
        except BaseException:
            self._give_turn()
            raise

    def _commit(self) -> None:
        super()._commit()  # type: ignore[misc]
        self._give_turn()

    def _rollback(self) -> None:
        try:
            super()._rollback()  # type: ignore[misc]
        finally:
            self._give_turn()

    def close(self) -> None:
        super().close()
        if not self.in_atomic_block:
            self._give_turn()

    def _take_turn(self) -> None:
        if self._turn is None and not self.is_in_memory_db():
            turn = open(f"{self.settings_dict['NAME']}.turn", "w")  # noqa: SIM115 - held on
            fcntl.flock(turn, fcntl.LOCK_EX)
            self._turn = turn

    def _give_turn(self) -> None:
        if self._turn is not None:
            self._turn.close()
            self._turn = None
