"""Recordings that come in pieces: resumed where they broke off, checked by their hash, filed under a safe name.

A piece is only ever appended where the last one ended, in a file that belongs to the upload alone; only a complete
recording, whose hash is right and which can be opened as video, appears in clips/, and overwrites nothing there.
"""

import hashlib
import json
import re
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from pydantic import TypeAdapter

from analyze.session.folder import Session
from analyze.session.order import OrderRow, read_order
from calibrate.errors import ClipError, SessionError
from tracker.clip import CLIP_SUFFIXES, clip_info

MOST_BYTES = 16 * 1024**3
SPARE_BYTES = 300 * 1024**2  # left on the disk whatever comes in
MOST_AT_ONCE = 100  # half sent
FOLDER = "incoming"
_ORDERED = re.compile(r"order-(\d+)-")
_LONGEST_NAME = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """A recording on its way.

    Attributes
    ----------
    name : str
        As the phone calls it.
    size_bytes : int
        How long it will be.
    condition, shooter : str
        Whose it is.
    order : int
        Line of the shooting order that it is filed under; 0 where condition and shooter were chosen.
    """

    name: str
    size_bytes: int
    condition: str
    shooter: str
    order: int = 0

    @property
    def upload_id(self) -> str:
        """What the upload is found again by: the same file, sent again, goes on where it broke off."""
        said = json.dumps([self.name, self.size_bytes, self.condition, self.shooter])
        return hashlib.sha256(said.encode()).hexdigest()[:24]


_INCOMING = TypeAdapter(Incoming)


class Uploads:
    """The recordings on their way into one session."""

    def __init__(self) -> None:
        self._lock = Lock()
        self.choosing = Lock()  # held from looking up the next line of the order until the upload has taken it

    def begin(self, session: Session, wanted: Incoming) -> tuple[str, int]:
        """Begin an upload, or find one that broke off.

        Parameters
        ----------
        session : Session
            Where it goes.
        wanted : Incoming
            What will come.

        Returns
        -------
        str
            Its id.
        int
            Bytes that are there already.

        Raises
        ------
        SessionError
            If it is no recording, too large for the disk, or its labels cannot be folders.
        """
        _check(session, wanted)
        folder = session.folder / FOLDER
        part = folder / f"{wanted.upload_id}.part"
        with self._lock:
            folder.mkdir(exist_ok=True)
            have = part.stat().st_size if part.exists() else 0
            _check_room(wanted, folder, wanted.size_bytes - have)
            if not part.exists() and len(list(folder.glob("*.part"))) >= MOST_AT_ONCE:
                raise SessionError(
                    f"{MOST_AT_ONCE} recordings lie half sent in {FOLDER}/ of the session; send the rest of them, "
                    "or delete them there"
                )
            part.touch()
            part.with_suffix(".json").write_bytes(_INCOMING.dump_json(wanted))
        return wanted.upload_id, have

    def append(self, session: Session, upload_id: str, at: int, piece: bytes) -> int:
        """Append a piece; return how many bytes are there, which is where the next one belongs.

        A piece that does not begin where the last one ended changes nothing.
        """
        part, wanted = self._found(session, upload_id)
        with self._lock:
            have = part.stat().st_size
            if at == have and have + len(piece) <= wanted.size_bytes:
                _check_room(wanted, part.parent, len(piece))  # others may have sent meanwhile
                with part.open("ab") as file:
                    file.write(piece)
                have += len(piece)
            elif at == have:
                raise SessionError(f"{wanted.name}: more comes in than was announced; begin again")
        return have

    def finish(self, session: Session, upload_id: str, sha256: str) -> str:
        """File a complete upload under clips/ and return its name there.

        Raises
        ------
        SessionError
            If something is missing, or the hash is another one: then it begins again from nothing.
        ClipError
            If it is no video that can be read, whatever it is called.
        """
        part, wanted = self._found(session, upload_id)
        with self._lock:
            have = part.stat().st_size
            if have != wanted.size_bytes:
                raise SessionError(
                    f"{wanted.name}: {have} of {wanted.size_bytes} bytes are here; send the rest first"
                )
            with part.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
            if found != sha256.lower():
                self._drop(part)
                raise SessionError(f"{wanted.name}: changed on its way (the hashes differ); send it again")
            whole = part.with_name(f"{upload_id}{Path(wanted.name).suffix.lower()}")
            part.replace(whole)
            try:
                clip_info(whole)
            except ClipError as error:
                whole.unlink()
                self._drop(part)
                raise ClipError(f"{wanted.name}: not a video that can be read; nothing was kept of it") from error
            target = _free(session.clips_folder / wanted.condition / wanted.shooter, _safe(wanted))
            target.parent.mkdir(parents=True, exist_ok=True)
            whole.replace(target)
            self._drop(part)
        return target.relative_to(session.clips_folder).as_posix()

    def _found(self, session: Session, upload_id: str) -> tuple[Path, Incoming]:
        part = session.folder / FOLDER / f"{upload_id}.part"
        if not re.fullmatch(r"[0-9a-f]{24}", upload_id) or not part.exists():
            raise SessionError("this upload is not known here; begin it again")
        try:
            return part, _INCOMING.validate_json(part.with_suffix(".json").read_bytes())
        except (OSError, ValueError) as error:
            raise SessionError(f"{part.name}: its record cannot be read; send the recording again") from error

    @staticmethod
    def _drop(part: Path) -> None:
        part.unlink(missing_ok=True)
        part.with_suffix(".json").unlink(missing_ok=True)


def next_in_order(session: Session, sent: tuple[str, int] | None = None) -> OrderRow | None:
    """Return the line of order.csv whose shot comes next; None where there is no order or all of it was shot.

    Parameters
    ----------
    session : Session
        The session.
    sent : (str, int), optional
        Name and length in bytes of a recording on its way, which has its line already if some of it is here.
    """
    path = session.folder / "order.csv"
    if not path.exists():
        return None
    rows = read_order(path)
    coming = [one for one in _on_their_way(session) if one.order]
    mine = {one.order for one in coming if (one.name, one.size_bytes) == sent}
    if mine:
        return next((row for row in rows if row.order in mine), None)
    clips = session.clips_folder
    filed = clips.rglob("order-*") if clips.is_dir() else ()
    taken = {one.order for one in coming} | {int(m[1]) for file in filed if (m := _ORDERED.match(file.name))}
    return next((row for row in rows if row.order not in taken), None)


def _on_their_way(session: Session) -> list[Incoming]:
    """Return the recordings that are here in part; a record that cannot be read says nothing."""
    found = []
    for path in (session.folder / FOLDER).glob("*.json"):
        with suppress(OSError, ValueError):
            found.append(_INCOMING.validate_json(path.read_bytes()))
    return found


def _check_room(wanted: Incoming, folder: Path, more_bytes: int) -> None:
    free = shutil.disk_usage(folder).free
    if free - more_bytes < SPARE_BYTES:
        raise SessionError(
            f"{wanted.name} needs {more_bytes / 1e6:.0f} MB more and the disk has {free / 1e6:.0f} MB left, of "
            f"which {SPARE_BYTES / 1e6:.0f} MB stay free; make room first"
        )


def _check(session: Session, wanted: Incoming) -> None:
    if Path(wanted.name).suffix.lower() not in CLIP_SUFFIXES:
        raise SessionError(f"{wanted.name}: not a recording; {' '.join(sorted(CLIP_SUFFIXES))} are")
    if not 0 < wanted.size_bytes <= MOST_BYTES:
        raise SessionError(
            f"{wanted.name}: {wanted.size_bytes} bytes; an upload has 1 byte to {MOST_BYTES // 1024**3} GB"
        )
    for what, name in (("condition", wanted.condition), ("shooter", wanted.shooter)):
        plain = (
            name.strip() == name and name not in ("", ".", "..") and not re.search(r'[/\\:*?"<>|\x00-\x1f]', name)
        )
        if not plain or name.startswith(".") or len(name) > _LONGEST_NAME:
            raise SessionError(
                f'"{name}" cannot be the name of a {what}: a plain name is wanted, it becomes a folder'
            )
    known = session.config.condition_names
    if known and wanted.condition not in known:
        raise SessionError(f'"{wanted.condition}" is no condition of this session; {", ".join(known)} are')


def _safe(wanted: Incoming) -> str:
    """Return a file name without anything that a system could take for something else."""
    stem, suffix = Path(wanted.name).stem, Path(wanted.name).suffix.lower()
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-")[:_LONGEST_NAME] or "recording"
    return f"order-{wanted.order:04d}-{stem}{suffix}" if wanted.order else f"{stem}{suffix}"


def _free(folder: Path, name: str) -> Path:
    target, number = folder / name, 1
    while target.exists():
        number += 1
        target = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
    return target
