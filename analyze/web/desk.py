"""What the page keeps between requests: the session folder, its shots as last read, and whatever is at work."""

import hashlib
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Annotated, cast

import pandas as pd
from fastapi import Depends, Request

from analyze.cue.which_squirt import SquirtChoice, choose_squirt
from analyze.session.config import CONFIG_NAME
from analyze.session.folder import Label, Session, open_session
from analyze.session.shots import label_of, session_shots
from analyze.session.shots_frame import shots_frame
from analyze.session.store import StoredShot
from analyze.web.guard import Keys
from analyze.web.pairing import Pairing
from analyze.web.pictures import Pictures
from analyze.web.uploads import Uploads
from analyze.web.workshop import Workshop
from calibrate.errors import SessionError

_ID_LENGTH = 12


@dataclass(frozen=True, eq=False, kw_only=True)
class Listing:
    """All shots of the session as they stand.

    Attributes
    ----------
    session : Session
        With the settings of now.
    stored : tuple of StoredShot
        Its shots.
    labels : tuple of Label
        Theirs.
    frame : DataFrame
        A row for each, as in out/shots.csv.
    squirt : SquirtChoice
        Which squirt is compared, as the report chooses it.
    """

    session: Session
    stored: tuple[StoredShot, ...]
    labels: tuple[Label, ...]
    frame: pd.DataFrame
    squirt: SquirtChoice


@dataclass(kw_only=True)
class Desk:
    """The session that the page is about.

    Attributes
    ----------
    folder : Path
        Its folder.
    keys : Keys
        Who may see it.
    pictures : Pictures
        What was decoded for it.
    workshop : Workshop
        Measures and draws for it.
    pairing : Pairing
        Lets phones in.
    uploads : Uploads
        Recordings on their way in.
    address : str
        On the local network; empty where it is not served there.
    place : str or None
        The camera place whose marks are clicked; None for the first of the session.
    last_sent : str
        The recording that a phone sent last.
    reporting : Lock
        Held while the report is made: one at a time writes into out/.
    fitting : Lock
        Held while marks are fitted.
    """

    folder: Path
    keys: Keys
    pictures: Pictures = field(default_factory=Pictures)
    workshop: Workshop = field(init=False)
    pairing: Pairing = field(init=False)
    uploads: Uploads = field(default_factory=Uploads)
    address: str = ""
    place: str | None = None
    last_sent: str = ""
    reporting: Lock = field(default_factory=Lock)
    fitting: Lock = field(default_factory=Lock)
    _listing: tuple[Hashable, Listing] | None = None
    _lock: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        """Open the workshop and the door for phones."""
        self.workshop = Workshop(self.folder)
        self.pairing = Pairing(self.keys, self.address)

    def session(self) -> Session:
        """Open the session with its settings of now; raise `SessionError` where it has none."""
        session = open_session(self.folder)
        return session if self.place is None else session.at(self.place)

    def listing(self) -> Listing:
        """Return all shots, read again only where database or settings have changed."""
        with self._lock:
            state = tuple(_stamp(self.folder / name) for name in ("railread.sqlite", "shots.csv", CONFIG_NAME))
            if self._listing is None or self._listing[0] != state:
                session = self.session()
                stored = session_shots(session)
                frame = shots_frame(session, stored)
                listing = Listing(
                    session=session,
                    stored=stored,
                    labels=tuple(label_of(session, one) for one in stored),
                    frame=frame,
                    squirt=choose_squirt(frame, session.config.analysis.squirt),
                )
                self._listing = (state, listing)
            return self._listing[1]

    def clip_named(self, clip_id: str) -> str:
        """Return the recording that an id stands for; only recordings of this session have one."""
        for clip in recordings(self.session()):
            if id_of(clip) == clip_id:
                return clip
        raise SessionError("no recording of this session has that name any more; load the page again")

    def shot(self, clip_id: str, number: int) -> tuple[Listing, int]:
        """Return the listing and the place in it of one shot."""
        listing = self.listing()
        for place, one in enumerate(listing.stored):
            if one.shot.shot == number and id_of(one.clip) == clip_id:
                return listing, place
        raise SessionError("there is no such shot in this session; load the page again")


def recordings(session: Session) -> tuple[str, ...]:
    """Return the recordings of a session; none where there are none yet."""
    try:
        return session.clips()
    except SessionError:
        return ()


def id_of(clip: str) -> str:
    """Return what stands for a recording in addresses: no path of the browser's ever opens a file."""
    return hashlib.sha256(clip.encode()).hexdigest()[:_ID_LENGTH]


def conditions_of(session: Session, labels: Sequence[Label]) -> tuple[str, ...]:
    """Return the conditions that a shot may be given: those of session.toml, else those that shots have."""
    return session.config.condition_names or tuple(sorted({one.condition for one in labels if one.condition}))


def _stamp(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return (0, 0)
    return (status.st_mtime_ns, status.st_size)


def _desk(request: Request) -> Desk:
    return cast("Desk", request.app.state.desk)


TheDesk = Annotated[Desk, Depends(_desk)]
