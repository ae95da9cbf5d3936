"""A shop at work: its settings, its store, and the packs that its jobs were made with."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Self

from msgspec import Struct

from swapinfer.commands.shop_settings import Settings, default_store, login_name, read_settings
from swapinfer.errors import JobError, PackError
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, replay
from swapinfer.ledger.store import Store
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import pack_from_json, pack_to_json

OTHER_VERSION = (
    "priors {} were kept by another version of swapinfer; those of today are used in their place"
)


class OpenJob(Struct, frozen=True):
    """A job as loaded: its id, records and replay."""

    id: str
    ro: str
    records: list[Record]
    job: Job


class Shop:
    """Everything a workflow function needs; use it as a context manager.

    Parameters
    ----------
    store : str, optional
        Where jobs are kept; default from the environment, the settings, the user's data folder.
    who : str, optional
        Name on events.
    overlays : sequence of Path, optional
        Overlay files on the base priors, beside those of the settings.
    is_supposing : bool, optional
        Whether events are only supposed and nothing is recorded.
    """

    def __init__(
        self,
        store: str = "",
        who: str = "",
        overlays: Sequence[Path] = (),
        *,
        is_supposing: bool = False,
    ) -> None:
        self.is_supposing = is_supposing
        self.settings: Settings = read_settings()
        place = store or os.environ.get("SWAPINFER_STORE", "") or self.settings.store
        self.store_place = place or str(default_store())
        self.who = who or self.settings.technician or login_name()
        self.overlays = [*map(Path, self.settings.overlays), *overlays]
        self._packs: dict[str, Pack] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        if "store" in self.__dict__:
            self.store.close()

    @cached_property
    def store(self) -> Store:
        """Store, opened when first needed; it is there already."""
        return Store.open(self.store_place, create=False)

    @contextmanager
    def founding(self) -> Iterator[Store]:
        """Give the store to what may begin one; made for work that fails, it goes again."""
        if "store" in self.__dict__:
            yield self.store
            return
        with Store.founding(self.store_place) as store:
            self.store = store
            try:
                yield store
            finally:
                del self.store

    @cached_property
    def pack(self) -> Pack:
        """Pack that a new job gets: the base and the shop's overlays."""
        from swapinfer.pack.load import load_pack

        return load_pack(self.overlays)

    def keep_pack(self, pack: Pack) -> None:
        """Keep a pack in the store under its digest."""
        self.store.keep_pack(pack.digest, pack_to_json(pack))

    def pack_by_digest(self, digest: str) -> Pack:
        """Pack that a job was opened with, whatever has changed since.

        What another version of swapinfer kept may lack numbers that this one reckons with: such a
        job goes on under the priors of today, and says so.
        """
        if digest not in self._packs:
            text = self.store.pack(digest)
            try:
                self._packs[digest] = pack_from_json(text)
            except PackError:
                warnings.warn(OTHER_VERSION.format(digest[:12]), stacklevel=2)
                self._packs[digest] = self.pack
        return self._packs[digest]

    def job_id(self, ro: str = "") -> str:
        """Id of a repair order, or of the current job.

        Raises
        ------
        JobError
            If there is no such job, or none is current.
        """
        if ro:
            return self.store.find_job(ro).job
        current = self.store.current_job(self.who)
        if current is None:
            raise JobError(
                "no job is current; open one (swapinfer open RO ...) or choose one "
                "(swapinfer use RO)"
            )
        return current

    def load(self, ro: str = "") -> OpenJob:
        """Load and replay a job, by default the current one."""
        job_id = self.job_id(ro)
        records = self.store.records(job_id)
        return OpenJob(job_id, self.store.job(job_id).ro, records, self.replay(records))

    def replay(self, records: Sequence[Record], then: Sequence[Event] = ()) -> Job:
        """Replay records, and events after them, under the pack that the job was opened with."""
        events = [*read_events(records), *enumerate(then, len(records))]
        return replay(events, self.pack_by_digest(records[0].pack))

    @staticmethod
    def now() -> str:
        """Time with zone, to the second."""
        return datetime.now().astimezone().isoformat(timespec="seconds")
