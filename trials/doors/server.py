"""The one server, on request only.

Who may answer, what was sent, and phone ballots on the local network.
"""

import asyncio
import csv
import hashlib
import hmac
import io
import ipaddress
import os
import secrets
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import segno
from tornado.httpserver import HTTPServer
from tornado.web import Application, RequestHandler

from trials.base.arguments import checked_types
from trials.base.errors import RoundError, TastingError
from trials.base.files import plain_cell, read_csv, safe_cell, write_bytes, write_csv, write_text
from trials.base.html import render
from trials.base.keeping import alone
from trials.base.words import in_words
from trials.rounds.forms import blind_name, older_marks, read_serving, round_mark, scored_servings
from trials.rounds.gathering import INCOMING, SENT_AT
from trials.rounds.round import SETTINGS, Round, opened, writing
from trials.rounds.safe import check_served
from trials.show.serving_sheets import phone_pages
from trials.tasting.paper import asks_blindness
from trials.tasting.phone import SEND_TO, ballot_file, result_columns

# -- Who may answer through the network: an unguessable link for each taster, opened by one phone.
#
# The links live in `links.csv` in the round's folder, which is never served. A link that was
# opened belongs to the phone that opened it; anybody else who meets it is turned away.


LINKS, LINKS_PAGE = "links.csv", "links.html"
_COLUMNS = ("taster", "link", "opened_by")


@dataclass(frozen=True)
class Link:
    """One taster's link.

    Parameters
    ----------
    taster : str
    link : str
        The unguessable part of the address.
    opened_by : str
        The digest of the key of the phone that opened it; empty before.
    """

    taster: str
    link: str
    opened_by: str = ""

    def opens_for(self, key: str) -> bool:
        """Say whether a phone that shows this key is the one that opened the link."""
        return bool(self.opened_by and key) and hmac.compare_digest(self.opened_by, _digest(key))


class Links:
    """The links of a round, kept in its folder, so that a restart finds them again.

    Parameters
    ----------
    folder : Path
        The round's.
    tasters : iterable of str
        Who is served something.
    renew : iterable of str
        Whose link is made anew: a lost phone, or a link that somebody else opened.
    """

    def __init__(self, folder: Path, tasters: Iterable[str], renew: Iterable[str] = ()) -> None:
        self._path = folder / LINKS
        tasters, renew = tuple(tasters), set(renew)
        strangers = renew - set(tasters)
        if strangers:
            raise TastingError(
                f'"{min(strangers)}" tastes nothing in this round; the tasters are '
                f"{in_words(tasters)}."
            )
        before = self._kept()
        self._of = {
            name: before[name] if name in before and name not in renew else Link(name, _secret())
            for name in tasters
        }
        self._write(self._of)

    def __iter__(self) -> Iterator[Link]:
        return iter(tuple(self._of.values()))

    def find(self, link: str) -> Link | None:
        """Return the link that an address holds; None when there is none."""
        found = None
        for one in self._of.values():  # all of them, so that time says nothing
            if hmac.compare_digest(one.link.encode(), link.encode()):
                found = one
        return found

    def open(self, link: Link) -> str:
        """Give a link to the phone that asks first; return the key that phone keeps."""
        if self._of[link.taster].opened_by:
            raise TastingError("This link was opened on another phone. Ask the cook for a new one.")
        key = _secret()
        opened = {**self._of, link.taster: replace(link, opened_by=_digest(key))}
        # Written first: a link that could not be written down as opened stays free
        self._write(opened)
        self._of = opened
        return key

    def _kept(self) -> dict[str, Link]:
        if not self._path.is_file():
            return {}
        rows = read_csv(self._path, _COLUMNS)[list(_COLUMNS)].to_numpy().tolist()
        return {taster: Link(taster, link, opened_by) for taster, link, opened_by in rows}

    def _write(self, links: Mapping[str, Link]) -> None:
        rows = [(one.taster, one.link, one.opened_by) for one in links.values()]
        write_csv(pd.DataFrame(rows, columns=list(_COLUMNS)), self._path)
        os.chmod(self._path, 0o600)


def _secret() -> str:
    # Letters alone: a link in a table is never taken for a number or a formula
    return secrets.token_hex(24).translate(str.maketrans("0123456789", "ghijklmnop"))


def _digest(key: str) -> str:
    return "d" + hashlib.sha256(key.encode()).hexdigest()


# -- Answers that a taster sent: looked over, and put into `incoming/` once and whole.


LARGEST_ANSWERS = 300_000  # bytes; some forty pieces with a thousand letters each
MOST_FILES = 60  # of one taster: nobody sends more often


@dataclass(frozen=True)
class Expected:
    """What one taster's answers must be.

    Parameters
    ----------
    taster : str
    columns : tuple of str
    marks : frozenset of str
        Of the round, older ones too; any of them will do.
    codes : frozenset of str
        What this taster is served.
    """

    taster: str
    columns: tuple[str, ...]
    marks: frozenset[str]
    codes: frozenset[str] = field(repr=False)


def refusal(content: bytes, expected: Expected) -> str:
    """Return why answers are not taken, in a sentence; empty when they are.

    Only what could do harm is refused here: a score that is off its scale is kept and asked
    about when the scores are read.
    """
    if len(content) > LARGEST_ANSWERS:
        return "These answers are too long. Shorten the words and send them again."
    try:
        text = content.decode("utf-8")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return "These answers can not be read. Nothing was kept."
    if "\x00" in text or not rows or [plain_cell(name) for name in rows[0]] != [*expected.columns]:
        return "This is no ballot of this round. Nothing was kept."
    return _refused_rows([[plain_cell(cell) for cell in row] for row in rows[1:]], expected)


def _refused_rows(rows: Sequence[Sequence[str]], expected: Expected) -> str:
    at = {name: expected.columns.index(name) for name in ("taster", "code", "round")}
    if not rows or any(len(row) != len(expected.columns) for row in rows):
        return "These answers were cut short. Send them again."
    if any(row[at["round"]] not in expected.marks for row in rows):
        return "This ballot is of another round. Ask the cook for the new one."
    if any(row[at["taster"]] != expected.taster for row in rows):
        return f"These answers are not of {expected.taster}. Nothing was kept."
    codes = [row[at["code"]] for row in rows]
    if len(set(codes)) < len(codes) or not set(codes) <= expected.codes:
        return "These codes are not the ones you were served. Nothing was kept."
    return ""


def store(folder: Path, content: bytes, taster: str, phone: str = "") -> Path | None:
    """Write answers into the round's `incoming/`: whole or not at all, never over others.

    The name tells the phone and the time, so that of several answers of one phone the last can
    be told. What was sent last and comes once more is not written a second time.
    """
    stem = ballot_file(taster, "csv").removesuffix(".csv")
    whose = hashlib.sha256(f"{taster}\n{phone}".encode()).hexdigest()[:8]
    digest = hashlib.sha256(content).hexdigest()[:16]
    with writing(folder):
        before = sorted((folder / INCOMING).glob(f"*-{whose}-*.csv"))
        if before and before[-1].stem.endswith(digest):
            return before[-1]
        if len(before) >= MOST_FILES:
            return None
        stamp = datetime.now(UTC).strftime(SENT_AT)
        path = folder / INCOMING / f"{stem}-{whose}-{stamp}-{digest}.csv"
        return write_bytes(path, _safe_for_a_spreadsheet(content))


def _safe_for_a_spreadsheet(content: bytes) -> bytes:
    """Return answers with every cell harmless that a spreadsheet would run; read back as sent."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for row in csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True):
        writer.writerow([safe_cell(plain_cell(cell)) for cell in row])
    return text.getvalue().encode("utf-8")


# -- The one server: phone ballots on the local network, on request only.
#
# It is bound to one address, this computer's own unless another is named; it gives each taster
# their own ballot under an unguessable link and takes nothing but their answers. No folder is
# listed, and neither the serving table nor the key to the codes can be reached.


ADDRESS, PORT = "127.0.0.1", 8765
SERVING_NOW = ".trials-serving"  # held while a server runs
_COOKIE = "ballot"
_LARGEST_HEADER = 16_000  # bytes
_IDLE = 60  # seconds that a silent connection is kept
_DAYS = 60  # that a phone may come back to its ballot
NOTHING = "There is nothing here. Look at the link again, or ask the cook for yours."
KEPT = "This could not be kept here: your answers are still on this phone. Tell the cook."
GONE = f"The round is not where it was. {KEPT}"
TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, eq=False)
class _Served:
    """What the server holds: the round, its links, a page for each taster."""

    round_: Round
    links: Links
    pages: Mapping[str, str]
    expected: Mapping[str, Expected]
    hosts: frozenset[str] = frozenset()

    def is_there(self) -> bool:
        """Say whether the round's folder is still where it was: it is never made anew."""
        return (self.round_.folder / SETTINGS).is_file()


class _Handler(RequestHandler):
    """What every answer has in common: nothing kept by the phone's cache, nothing told."""

    def initialize(self, served: _Served) -> None:
        self.served = served

    def set_default_headers(self) -> None:
        for name, value in (
            ("Server", "trials"),
            ("Cache-Control", "no-store"),
            ("Referrer-Policy", "no-referrer"),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
        ):
            self.set_header(name, value)

    def prepare(self) -> None:
        # A page elsewhere may give this address a name of its own and ask in that name
        if self.request.host not in self.served.hosts:
            self.say(421, "Open the link just as it was given to you.")

    def write_error(self, status_code: int, **_details: object) -> None:
        self.say(status_code, NOTHING if status_code < 500 else KEPT)

    def say(self, status: int, sentence: str) -> None:
        """Answer in a sentence: as a page to whoever opened a link, else as plain text."""
        self.set_status(status)
        if self.request.method == "GET":
            self.finish(render(TEMPLATES, "said.html", title="Ballot", sentence=sentence))
            return
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(sentence)

    def link(self, found: str) -> Link | None:
        """Return the link of the address; says that there is nothing when there is none."""
        link = self.served.links.find(found)
        if link is None:
            self.say(404, NOTHING)
        elif not self.served.is_there():
            self.say(503, GONE)
            return None
        return link

    def is_own(self, link: Link) -> bool:
        return link.opens_for(self.get_cookie(_COOKIE) or "")

    def came_from_here(self) -> bool:
        """Say whether a page of another site asks; browsers name the page that does."""
        origin = self.request.headers.get("Origin")
        return origin in (None, f"{self.request.protocol}://{self.request.host}")


class _Ballot(_Handler):
    def get(self, found: str) -> None:
        link = self.link(found)
        if link is None:
            return
        if self.is_own(link):
            self.finish(self.served.pages[link.taster])
        elif link.opened_by:
            self.say(403, "This link was opened on another phone. Ask the cook for a new one.")
        else:
            opening = blind_name(self.served.round_)
            self.finish(
                render(
                    TEMPLATES,
                    "open_ballot.html",
                    title="Ballot",
                    round_name=opening,
                    taster=link.taster,
                    sends=True,
                )
            )


class _Open(_Handler):
    def post(self, found: str) -> None:
        link = self.link(found)
        if link is None:
            return
        if not self.came_from_here():
            self.say(403, "Open the link itself.")
            return
        try:
            key = self.served.links.open(link)
        except TastingError as error:
            self.say(403, error.message)
            return
        except (OSError, RoundError):
            self.say(507, "This can not be written down just now. Tell the cook, then try again.")
            return
        # A duration, not a date: phone and computer need not agree on the time
        self.set_cookie(
            _COOKIE,
            key,
            path=f"/{link.link}/",
            httponly=True,
            samesite="Lax",
            max_age=_DAYS * 24 * 3600,
        )
        self.say(200, "Open.")


class _Answers(_Handler):
    async def post(self, found: str) -> None:
        link = self.link(found)
        if link is None:
            return
        if not self.came_from_here() or not self.is_own(link):
            self.say(403, "This link was opened on another phone. Ask the cook for a new one.")
            return
        kind = self.request.headers.get("Content-Type", "").split(";")[0].strip().casefold()
        if kind != "text/csv":
            self.say(415, "Answers are sent by the ballot itself. Nothing was kept.")
            return
        content = self.request.body
        refused = refusal(content, self.served.expected[link.taster])
        if refused:
            self.say(413 if len(content) > LARGEST_ANSWERS else 400, refused)
            return
        where = self.served.round_.folder
        try:
            # Beside the others: a command that is writing just now keeps nobody else waiting
            kept = await asyncio.to_thread(store, where, content, link.taster, link.opened_by)
        except (OSError, RoundError):
            there = self.served.is_there()
            self.say(507 if there else 503, KEPT if there else GONE)
            return
        if kept is None:
            self.say(429, "You sent your answers very often. Tell the cook.")
        else:
            self.say(200, f"Arrived. Thank you, {link.taster}.")


class _Nothing(_Handler):
    def prepare(self) -> None:
        self.say(404, NOTHING)


@checked_types(RoundError)
def serve_ballots(
    round_: Round | str | Path,
    address: str = ADDRESS,
    port: int = PORT,
    *,
    renew: Iterable[str] = (),
    tell: Callable[[str], object] = print,
) -> None:
    """Serve the phone ballots of a round until stopped with Ctrl-C.

    Answers are written to the round's `incoming/`, one file for each time somebody sends; the
    next reading of the scores finds them there. A server that was killed and started again keeps
    its links, and phones keep what was entered.

    Parameters
    ----------
    round_ : Round, or its folder
        With its `serving.csv` written.
    address : str
        The one address to listen on: this computer alone unless its address in the local
        network is named.
    port : int
        0 for any that is free.
    renew : iterable of str
        Tasters who get a new link; the old one is dead.
    tell : callable
        Is given each line that the cook should read.

    Raises
    ------
    TastingError
        When nothing is served, the address can not be had or means every address, or it is
        called from a notebook.
    RoundError
        When another server serves this round already.
    """
    round_ = opened(round_)
    if _in_a_loop():
        raise TastingError(
            "A notebook can not wait for tasters. Open a terminal and type: "
            f'trials serve "{round_.folder}" --address {address}'
        )
    address = _checked_address(address)
    busy = (
        f'the ballots of "{round_.folder}" are served already, by another program that is running. '
        "Stop that one first (Ctrl-C in its window), or go on with it."
    )
    with alone(round_.folder / SERVING_NOW, busy):
        asyncio.run(_run(_served(round_, renew), address, port, tell))


def _in_a_loop() -> bool:
    """Say whether something runs already that would have to wait, as in a notebook."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True


def _served(round_: Round, renew: Iterable[str]) -> _Served:
    serving = read_serving(round_)
    if serving.empty:
        raise TastingError("Nothing is served in this round; write its sheets first.")
    check_served(round_, serving)
    pages = phone_pages(round_, serving, sends=True)
    columns = result_columns(round_.measures, blind=asks_blindness(round_.tasters))
    scored = scored_servings(serving)
    codes = scored.astype(str).groupby("taster")["code"].agg(frozenset)
    marks = older_marks(round_) | {round_mark(round_)}
    expected = {name: Expected(name, tuple(columns), marks, codes[name]) for name in pages}
    return _Served(round_, Links(round_.folder, pages, renew), pages, expected)


def _checked_address(address: str) -> str:
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        raise TastingError(
            f'"{address}" is no address; write it in numbers, as 127.0.0.1 (this computer alone) '
            "or this computer's address in the local network."
        ) from None
    if found.is_unspecified or found.is_multicast or found.is_global:
        raise TastingError(
            f"{address} is not one address of a local network. Ballots are served on one such "
            "address only, never on all of them and never to the whole world."
        )
    return address


def _names(host: str, port: int) -> frozenset[str]:
    """Return what a phone may call this server: its address, and its own name for itself."""
    own = ("localhost", host) if host in ("127.0.0.1", "[::1]") else (host,)
    return frozenset(name if port == 80 else f"{name}:{port}" for name in own)


def _greeting(served: _Served, address: str, where: str) -> Iterator[str]:
    """Say which link is whose, who can open it, and what plain HTTP means at a kitchen table."""
    yield "Each link is for one taster and opens on one phone:"
    addresses = {link.taster: f"http://{where}/{link.link}/" for link in served.links}
    for taster, whole in addresses.items():
        yield f"  {taster}: {whole}"
    alone, near = ipaddress.ip_address(address).is_loopback, _address_here()
    reach = (
        f'trials serve "{served.round_.folder}" --address {near or "ADDRESS-OF-THIS-COMPUTER"}'
        if alone
        else ""
    )
    page = write_text(
        served.round_.folder / LINKS_PAGE,
        render(
            TEMPLATES,
            "links.html",
            title="Links to the ballots",
            pictures=True,
            reach=reach,
            links=[
                # A phone that scans this computer's name for itself would look on the phone
                {"taster": taster, "address": whole, "code": "" if alone else _qr(whole)}
                for taster, whole in addresses.items()
            ],
        ),
    )
    os.chmod(page, 0o600)
    if reach:
        yield (
            "Only this computer can open them. For phones in your kitchen's network, which then "
            f"scan their link: {reach}"
        )
    else:
        yield f"The same to scan with a phone: {page}"
    yield (
        "The way is plain HTTP: whoever is in the same network could read along. That is fine at a "
        "kitchen table of your own; in a network of strangers use paper."
    )
    yield "Answers go to the round's incoming folder. Stop with Ctrl-C."


def _qr(address: str) -> str:
    """Return an address as a picture that a phone's camera reads."""
    return str(segno.make(address, error="m").svg_data_uri(scale=5, border=4))


def _address_here() -> str:
    """Return this computer's address in its network; empty where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # kept for documentation (RFC 5737): nothing is sent
        except OSError:
            return ""
        found = str(probe.getsockname()[0])
    return found if ipaddress.ip_address(found).is_private else ""


async def _run(served: _Served, address: str, port: int, tell: Callable[[str], object]) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    host = f"[{address}]" if ":" in address else address
    try:
        listening = socket.create_server((address, port), family=family)
    except OSError as error:
        raise TastingError(
            f"{address} at port {port} can not be had ({error.strerror}). Name another port, or "
            "an address that this computer has."
        ) from None
    served = replace(served, hosts=_names(host, listening.getsockname()[1]))
    server = HTTPServer(
        _application(served),
        max_body_size=LARGEST_ANSWERS + 1_000,
        max_buffer_size=2 * LARGEST_ANSWERS,
        max_header_size=_LARGEST_HEADER,
        idle_connection_timeout=_IDLE,
        body_timeout=_IDLE,
    )
    listening.setblocking(False)
    server.add_socket(listening)
    for line in _greeting(served, address, f"{host}:{listening.getsockname()[1]}"):
        tell(line)
    try:
        await asyncio.Event().wait()
    finally:
        server.stop()
        await server.close_all_connections()


def _application(served: _Served) -> Application:
    held = {"served": served}
    return Application(
        [
            (r"/([a-p]{48})/", _Ballot, held),
            (r"/([a-p]{48})/open", _Open, held),
            (rf"/([a-p]{{48}})/{SEND_TO}", _Answers, held),
        ],
        default_handler_class=_Nothing,
        default_handler_args=held,
        log_function=lambda handler: None,
    )
