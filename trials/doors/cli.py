"""The command line: a thin door over the public names.

Heavy libraries load inside the commands, so that help is there at once. Exit status: 0 done (and
when a development has reached its end), 1 the input needs mending (said where and how), 2 wrong
use, 130 stopped by Ctrl-C (what is kept is said).
"""

import argparse
import errno
import os
import shlex
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from trials.base.errors import RoundError, TrialsError
from trials.base.version import __version__
from trials.doors.terminal import tell

if TYPE_CHECKING:
    from trials.rounds.round import Round

DONE, MEND = 0, 1
STOPPED = 130  # as a shell says of what Ctrl-C ended
ALL_THE_SAME = '--action "fill the gaps"'
_REHEARSED_UP_TO = 16  # bakes: larger rounds take too long to be offered
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def run(words: Sequence[str]) -> int:
    """Run one command.

    Examples
    --------
    >>> run(["check", "no such folder"])
    1
    """
    parser = _parser()
    asked = parser.parse_args(words)
    command: Callable[[argparse.Namespace], int] | None = getattr(asked, "command", None)
    if command is None:
        parser.print_help()
        return DONE
    try:
        asked.typed = tuple(words)
        return command(asked)
    except TrialsError as error:
        tell(error, file=sys.stderr)
        return MEND
    except BrokenPipeError:
        # The reader (`head`, say) had enough; Python would complain once more while leaving
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        tell(f"{_why(error)}. Nothing was changed.", file=sys.stderr)
        return MEND
    except KeyboardInterrupt:
        from trials.base.keeping import stopped

        tell(f"\n{stopped()}", file=sys.stderr)
        return STOPPED


def _why(error: OSError) -> str:
    """Return what the computer refused, and where."""
    why = str(error.strerror or error)
    if not error.filename:
        return why
    path = Path(os.fsdecode(error.filename))
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        folder = path if path.is_dir() else path.parent
        if not os.access(folder, os.W_OK):
            return f"{folder}: the folder can not be written ({why})"
    return f"{path}: {why}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="trials",
        description="Plan rounds of test bakes, and learn from them which change did it.",
    )
    parser.add_argument("--version", action="version", version=f"trials {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    demo = _add(commands, "demo", "a whole invented round, from plan to page", _demo)
    demo.add_argument(
        "folder", nargs="?", default="trials-demo", help="where to (default: trials-demo)"
    )
    demo.add_argument(
        "--large", action="store_true", help="30 bakes and eight tasters instead of 10 and two"
    )
    _before_baking(commands)
    _while_baking(commands)
    _after_baking(commands)
    lab = _add(commands, "lab", "open JupyterLab on a round's notebook, or on all of them", _lab)
    lab.add_argument(
        "folder", nargs="?", default="trials-notebooks", help="a round (default: the examples)"
    )
    lab.add_argument(
        "options", nargs=argparse.REMAINDER, help="handed on to JupyterLab, such as --no-browser"
    )
    return parser


def _before_baking(commands: Commands) -> None:
    new = _add(commands, "new", "start a round: write a page of questions to fill in", _new)
    new.add_argument("folder")
    which = new.add_mutually_exclusive_group()
    for name, words in (
        ("all", "every question there is, each explained once"),
        ("cross", "two parents, crossed trait by trait"),
    ):
        which.add_argument(
            f"--{name}", dest="which", action="store_const", const=name, default="short", help=words
        )
    plan = _add(commands, "plan", "turn the answers in idea.toml into a plan", _plan)
    plan.add_argument("folder")
    plan.add_argument(
        "--why", action="store_true", help="say as well how it was found, and what was weighed"
    )
    plan.add_argument(
        "--rehearse",
        nargs="?",
        type=int,
        const=40,
        default=0,
        metavar="ROUNDS",
        help="try out what it will say, by so many invented rounds of each size (default: 40)",
    )
    sheets = _add(commands, "sheets", "write bake sheets, ballots and score sheets", _sheets)
    sheets.add_argument("folder")
    sheets.add_argument("--pdf", action="store_true", help="print the cook's pages to PDF as well")
    for name, words, command in (
        ("shopping", "say what to buy, and what each day uses", _shopping),
        ("timetable", "lay out the bake days hour by hour", _timetable),
    ):
        one = _add(commands, name, words, command)
        one.add_argument("folder")
        one.add_argument("--pdf", action="store_true", help="print the page to PDF as well")


def _while_baking(commands: Commands) -> None:
    _serve_words(_add(commands, "serve", "serve phone ballots on the local network", _serve))
    note = _add(commands, "note", "write a dated note into the round's diary", _note)
    note.add_argument("folder")
    note.add_argument("words", nargs="+", help="what happened")
    note.add_argument("--bake", default="", help="the bake it is about")
    note.add_argument("--about", default="", help="the measure whose findings it is about")
    note.add_argument("--day", type=int, default=None, help="the day it is about")
    photo = _add(
        commands, "photo", "keep a small copy of a bake's photo, without its place", _photo
    )
    photo.add_argument("folder")
    photo.add_argument("bake")
    photo.add_argument("files", nargs="+")
    album = _add(commands, "album", "show photos and notes beside the scores, on one page", _album)
    album.add_argument("folder")


def _after_baking(commands: Commands) -> None:
    check = _add(commands, "check", "read the sheets and say what needs mending", _check)
    check.add_argument("folder")
    _fit_words(_add(commands, "fit", "say what mattered, for a round or a table (CSV)", _fit))
    following = _add(commands, "next", "propose the next round, and say why", _next)
    following.add_argument("folder")
    following.add_argument("--bakes", type=int, required=True, help="bakes you can afford")
    following.add_argument("--to", default="", help="where to write it (default: beside FOLDER)")
    following.add_argument(
        "--action", default=None, help='what to do, such as "confirm" (default: what gains most)'
    )
    words = "go on after a failed bake or a change: say how, or write it"
    _replan_words(_add(commands, "replan", words, _replan))
    told = _add(commands, "story", "tell a development, round by round, and its recipe", _story)
    told.add_argument("folder", help="its last round")
    told.add_argument("--to", default="", help="the file to write (default: FOLDER/story.html)")
    _replace_word(told)
    told.add_argument(
        "--units", default="grams", choices=("grams", "ounces", "household"), help="of the recipe"
    )
    page = _add(commands, "report", "write one page to share, readable offline", _report)
    page.add_argument("folder")
    page.add_argument("--to", default="", help="the file to write (default: FOLDER/page.html)")
    _replace_word(page)
    share = _add(commands, "share", "one file with page, notebook and round, to rerun", _share)
    share.add_argument("folder")
    share.add_argument("--to", default="", help="the file to write (default: FOLDER.zip)")
    share.add_argument("--names", action="store_true", help="with the tasters' names and files")
    _replace_word(share)


def _replace_word(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")


def _add(
    commands: Commands,
    name: str,
    words: str,
    command: Callable[[argparse.Namespace], int],
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(command=command)
    return parser


def _replan_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder")
    parser.add_argument("--record", action="store_true", help="write the change into the round")
    parser.add_argument("--joins", metavar="NAME", default="", help="who tastes from now on")
    parser.add_argument(
        "--avoids", nargs="+", default=[], help="what they must never be served", metavar="THING"
    )
    parser.add_argument(
        "--leaves", nargs="+", default=[], metavar="NAME", help="who tastes no more"
    )
    parser.add_argument(
        "--held", type=int, default=None, help="sittings held (default: those with scores)"
    )
    parser.add_argument(
        "--add",
        nargs="+",
        action="append",
        default=[],
        metavar="NAME=SETTING",
        help="one bake more, as in --add hydration=20 fat=lard",
    )
    parser.add_argument("--more", type=int, default=0, help="bakes more that tell most")
    parser.add_argument(
        "--limit",
        nargs="+",
        default=[],
        metavar="NAME=LOW..HIGH",
        help='how far it can go now, as in --limit "oven=..180"',
    )
    parser.add_argument(
        "--without", nargs="+", default=[], metavar="NAME=KIND", help="a kind that is baked no more"
    )
    parser.add_argument(
        "--move",
        nargs="+",
        default=[],
        metavar="WHAT=DAY",
        help='to another day, as in --move B03=2 or --move "day 2=3"',
    )


def _serve_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder")
    parser.add_argument(
        "--address", default="127.0.0.1", help="the one address (default: this computer alone)"
    )
    parser.add_argument("--port", type=int, default=8765, help="default: 8765; 0 for a free one")
    parser.add_argument("--renew", nargs="+", default=[], help="tasters who get a new link")


def _fit_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("data", help="a round folder, or a CSV with one row per score")
    parser.add_argument("response", nargs="?", help="what to explain (a round: all by default)")
    parser.add_argument("--factors", nargs="+", default=None, help="columns of the table")
    parser.add_argument("--kinds", nargs="+", default=[], help="columns of kinds, not numbers")
    parser.add_argument("--groups", nargs="*", default=None, help="random groups, such as day/load")
    parser.add_argument("--model", nargs="+", default=None, help="main, interactions, ... or terms")
    parser.add_argument("--worth", type=float, default=None, help="smallest difference that counts")
    parser.add_argument(
        "--scale", default=None, help='what a column was asked as, such as "check all" or "passed"'
    )
    parser.add_argument("--all", action="store_true", help="of a round, every number and note")
    parser.add_argument("--alone", action="store_true", help="without the rounds before it")
    parser.add_argument(
        "--held",
        nargs="+",
        default=None,
        metavar="NAME=SETTING",
        help="where a factor stood in rounds that did not vary it",
    )
    parser.add_argument("--csv", default="", help="also write the table of effects here")
    _replace_word(parser)


def _demo(asked: argparse.Namespace) -> int:
    from trials.doors import demo

    told = demo.large.run if asked.large else demo.run
    told(Path(asked.folder), tell=tell)
    return DONE


def _new(asked: argparse.Namespace) -> int:
    from trials.doors.workplace import write_notebook
    from trials.rounds.idea import write_idea

    path = write_idea(Path(asked.folder), asked.which)
    notebook = write_notebook(path.parent, path.parent.resolve().name)
    folder = shlex.quote(asked.folder)
    tell(f"Fill in {path}, then: trials plan {folder}")
    tell(f"Or do all of it in {notebook}: trials lab {folder}")
    return DONE


def _plan(asked: argparse.Namespace) -> int:
    from trials.design.propose import in_short
    from trials.doors.start import planned_round
    from trials.rounds.extremes import suggested
    from trials.rounds.overlooked import held_by_nothing, overlooked
    from trials.rounds.serving import hidden_repeats

    round_ = planned_round(Path(asked.folder), tell=tell)
    folder = shlex.quote(asked.folder)
    tell(f"{round_}\n")
    for reason in round_.plan.reasons if asked.why else in_short(round_.plan):
        tell(reason)
    for sentence in overlooked(round_):
        tell(f"\nTo look at: {sentence}")
    for sentence in held_by_nothing(round_):
        tell(f"\n{sentence}")
    twice = hidden_repeats(round_)
    if twice:
        tell(f"\n{twice}")
    before = suggested(round_)
    if before:
        tell("\n" + "\n".join(before))
    tell()
    if asked.rehearse:
        _rehearsed(round_, asked.rehearse)
        tell()
    else:
        more = []
        if round_.plan.count() <= _REHEARSED_UP_TO:
            more.append(f"trials plan {folder} --rehearse tries it out on paper, in minutes")
        if not asked.why:
            more.append(f"{'' if more else f'trials plan {folder} '}--why says how it was found")
        if more:
            tell(f"More: {'; '.join(more)}.")
    tell(f"The plan is in {round_.folder / 'plan.csv'}. Next: trials sheets {folder}")
    return DONE


def _rehearsed(round_: "Round", rounds: int) -> None:
    """Rehearse a plan with the analysis that will be used; a line shows how far it is."""
    from trials.deciding.foretelling import foretell

    liked = next((one for one in round_.measures if one.liking), None)
    found = foretell(round_.plan, tasters=max(1, len(round_.tasters)), measure=liked, rounds=rounds)
    for sentence in found.sentences:
        tell(sentence)


def _sheets(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.rounds.serving import unheeded
    from trials.show.sheets import write_sheets

    round_ = Round.open(asked.folder)
    written = write_sheets(round_, as_pdf=asked.pdf)
    cooks = any(one.cooks for one in round_.tasters)
    for path in sorted(written, key=_place_in_list):
        tell(f"{path}{_closed(path, cooks)}")
    for sentence in unheeded(round_):
        tell(f"To look at: {sentence}".replace("FOLDER", shlex.quote(asked.folder)))
    tell(_what_to_print(written, asked.folder))
    return DONE


def _place_in_list(path: Path) -> int:
    """Return where a file stands among those written: for paper, filled in, the rest, the key."""
    from trials.rounds.forms import BAKES, SERVING, TASTINGS
    from trials.rounds.serving import CODES
    from trials.show.serving_sheets import FOR_TASTERS
    from trials.show.sheets import BAKE_SHEETS, SHOPPING, TIMETABLE

    if path.name in (CODES, SERVING):
        return 4 + (path.name == SERVING)
    if path.stem in (BAKE_SHEETS, SHOPPING, TIMETABLE) and path.suffix in (".html", ".pdf"):
        return 0
    if path.parent.name == FOR_TASTERS:
        return 1
    return 2 if path.stem in (BAKES, TASTINGS) and path.suffix == ".xlsx" else 3


def _closed(path: Path, cooks: bool) -> str:
    """Return what stands beside a file that holds the key to the codes."""
    from trials.rounds.forms import SERVING
    from trials.rounds.serving import CODES

    if path.name == SERVING:
        return "  (the key to the codes: keep closed until the scores are in)"
    if path.name == CODES and cooks:
        return "  (the key to the codes: who cooks and tastes reads its first page before anything)"
    return "  (the key to the codes: for whoever labels the plates)" if path.name == CODES else ""


def _what_to_print(written: Sequence[Path], folder: str) -> str:
    """Return which of the files written are for paper, and which are filled in."""
    from trials.base.words import in_words
    from trials.rounds.forms import BAKES, TASTINGS
    from trials.rounds.serving import CODES
    from trials.show.serving_sheets import FOR_TASTERS
    from trials.show.sheets import BAKE_SHEETS, SHOPPING, TIMETABLE

    names = [path.name for path in written]
    paper = [f"{name}.html" for name in (BAKE_SHEETS, SHOPPING, TIMETABLE)] + [CODES]
    paper = [name for name in paper if name in names]
    paper += (
        ["what lies in ballots/"] if any(one.parent.name == FOR_TASTERS for one in written) else []
    )
    filled = [f"{name}.xlsx" for name in (BAKES, TASTINGS) if f"{name}.xlsx" in names]
    return (
        f"\nPrint {in_words(paper)}. Bake and taste, fill in {in_words(filled)}, then: "
        f"trials check {shlex.quote(folder)}"
    )


def _shopping(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.show.bake_sheets import (
        each_day,
        for_the_extremes,
        frying_oil_avoided,
        not_weighed,
        to_buy,
    )
    from trials.show.sheets import write_shopping

    round_ = Round.open(asked.folder)
    tell(to_buy(round_).to_string(index=False), end="\n\n")
    on_top = for_the_extremes(round_)
    if on_top:
        tell(on_top, end="\n\n")
    for one in frying_oil_avoided(round_):
        tell(one, end="\n\n")
    for one in not_weighed(round_):
        tell(f"Besides: {one}", end="\n\n")
    tell(each_day(round_).to_string(index=False), end="\n\n")
    for path in write_shopping(round_, as_pdf=asked.pdf):
        tell(path)
    return DONE


def _timetable(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.rounds.timetable import timetable
    from trials.show.sheets import write_timetable

    round_ = Round.open(asked.folder)
    made = timetable(round_)
    tell("\n".join(made.sentences()), end="\n\n")
    shown = ["day", "bakes", "start", "in simple order", "finish"]
    shown += ["no earlier than", "minutes to gain"]
    tell(made.days[shown].to_string(index=False), end="\n\n")
    for path in write_timetable(round_, made, as_pdf=asked.pdf):
        tell(path)
    return DONE


def _serve(asked: argparse.Namespace) -> int:
    from trials.doors.server import serve_ballots
    from trials.rounds.round import Round

    round_ = Round.open(asked.folder)
    with suppress(KeyboardInterrupt):
        serve_ballots(round_, asked.address, asked.port, renew=asked.renew, tell=tell)
    return DONE


def _note(asked: argparse.Namespace) -> int:
    from trials.rounds.diary import write_note
    from trials.rounds.round import Round

    round_ = Round.open(asked.folder)
    words = " ".join(asked.words)
    tell(write_note(round_.folder, words, day=asked.day, bake=asked.bake, about=asked.about))
    return DONE


def _photo(asked: argparse.Namespace) -> int:
    from trials.rounds.diary import add_photo
    from trials.rounds.round import Round

    round_ = Round.open(asked.folder)
    for file in asked.files:
        tell(add_photo(round_, asked.bake, file))
    return DONE


def _album(asked: argparse.Namespace) -> int:
    from trials.base.files import write_text
    from trials.rounds.round import Round, writing
    from trials.rounds.scores import read_and_kept, scores
    from trials.show.album import album

    round_ = Round.open(asked.folder)
    table = scores(read_and_kept(round_))
    with writing(round_.folder):
        tell(write_text(round_.folder / "album.html", album(round_, table)))
    return DONE


def _check(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.rounds.scores import check

    found = check(Round.open(asked.folder))
    for note in found.notes:
        tell(note)
    for problem in found:
        tell(problem, file=sys.stderr)
    tell(found.verdict, file=sys.stderr if found else sys.stdout)
    return MEND if found else DONE


def _fit(asked: argparse.Namespace) -> int:
    from trials.doors.cli_fit import fit_command

    fit_command(asked)
    return DONE


def _next(asked: argparse.Namespace) -> int:
    from trials.core.roles import Role
    from trials.deciding.next_bakes import NothingToGainError, new_bakes
    from trials.deciding.replanning import write_next
    from trials.design.midway import shown_setting
    from trials.doors.workplace import write_notebook
    from trials.rounds.round import Round
    from trials.rounds.safe import kept_from, kept_sentences

    before = Round.open(asked.folder)
    try:
        round_ = write_next(before, asked.bakes, asked.to or None, action=asked.action)
    except NothingToGainError as found:
        tell(f"{found.why}\n\nStop here: trials story {shlex.quote(asked.folder)}")
        tell("tells the development and gives the recipe. To go on all the same, say for what:")
        tell(f"trials next {shlex.quote(asked.folder)} --bakes {asked.bakes} {ALL_THE_SAME}")
        return DONE
    for reason in round_.plan.reasons:
        tell(reason)
    for row in new_bakes(round_.plan).rows.to_dict("records"):
        role = " (the reference)" if row["role"] == Role.REFERENCE else ""
        tell(f"  {row['bake']}: {shown_setting(round_.plan.factors, row)}{role}")
    for sentence in kept_sentences(round_, kept_from(round_)).values():
        tell(sentence)
    write_notebook(round_.folder, round_.name)
    where = _near(round_.folder)
    tell(f"\nThe next round is in {where}. Next: trials sheets {shlex.quote(where)}")
    return DONE


def _near(folder: Path) -> str:
    """Return a folder as it is typed from here, where it lies below."""
    here, whole = Path.cwd().resolve(), folder.resolve()
    return str(whole.relative_to(here) if whole.is_relative_to(here) else whole)


def _replan(asked: argparse.Namespace) -> int:
    from trials.deciding.replanning import replan
    from trials.rounds.extremes import limit_of
    from trials.rounds.round import Round
    from trials.rounds.serving import unheeded
    from trials.tasting.panel import Taster

    round_ = Round.open(asked.folder)
    if asked.avoids and not asked.joins:
        raise RoundError("--avoids says what somebody avoids who joins; name them with --joins.")
    without: dict[str, list[str]] = {}
    for name, kind in map(_pair, asked.without):
        without.setdefault(name, []).append(kind)
    plan = replan(
        round_,
        record=asked.record,
        joins=[Taster(asked.joins, asked.avoids)] if asked.joins else [],
        leaves=asked.leaves,
        add=[dict(map(_pair, one)) for one in asked.add],
        more=asked.more,
        limits=dict(map(limit_of, asked.limit)),
        without=without,
        move={what: _day(what, day) for what, day in map(_pair, asked.move)},
        held=asked.held,
    )
    for sentence in unheeded(Round.open(asked.folder) if asked.record else round_):
        tell(f"To look at: {sentence}".replace("FOLDER", shlex.quote(asked.folder)))
    new = [reason for reason in plan.reasons if reason not in round_.plan.reasons]
    tell("\n".join(new) or "Nothing new was entered: the plan stands as it is.")
    folder = shlex.quote(asked.folder)
    if asked.record:
        tell(f"\nThe plan is in {round_.folder / 'plan.csv'}. Next: trials sheets {folder}")
    elif len(asked.typed) > 2 or not plan.table.equals(round_.plan.table):
        said = shlex.join(["trials", *asked.typed, "--record"])
        tell(f"\nNothing was written so far. Next: {said}")
    return DONE


def _pair(words: str) -> tuple[str, str]:
    """Return the two sides of NAME=SETTING."""
    name, sign, value = words.rpartition("=")
    if not (sign and name.strip() and value.strip()):
        raise RoundError(f"{words!r} was found; something like NAME=SETTING was expected.")
    return name.strip(), value.strip()


def _day(what: str, words: str) -> int:
    if not words.isdecimal() or not int(words):
        raise RoundError(f"{what} is to go to day {words!r}; a number from 1 was expected.")
    return int(words)


def _story(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.show.page import write_story

    round_ = Round.open(asked.folder)
    told, path = write_story(round_, _to(asked, round_.folder / "story.html"), units=asked.units)
    tell(told, end="\n\n")
    if told.card is not None:
        tell(told.card, end="\n\n")
    tell(path)
    return DONE


def _report(asked: argparse.Namespace) -> int:
    from trials.rounds.round import Round
    from trials.show.page import report

    round_ = Round.open(asked.folder)
    tell(report(round_, _to(asked, round_.folder / "page.html")))
    return DONE


def _to(asked: argparse.Namespace, usual: Path) -> Path:
    """Return where a page is to be written, if nothing is lost by it."""
    from trials.base.keeping import free_to_write

    return free_to_write(Path(asked.to or usual), usual=usual, replace=asked.replace)


def _share(asked: argparse.Namespace) -> int:
    from trials.base.keeping import free_to_write
    from trials.doors.sharing import beside, bundle
    from trials.rounds.round import Round

    round_ = Round.open(asked.folder)
    to = free_to_write(Path(asked.to or beside(round_)), replace=asked.replace)
    tell(bundle(round_, to, names=asked.names, replace=asked.replace))
    return DONE


def _lab(asked: argparse.Namespace) -> int:
    from trials.doors.notebook import copy_notebooks, refuse_mistyped, run_lab
    from trials.doors.workplace import NOTEBOOK, write_notebook
    from trials.rounds.idea import IDEA
    from trials.rounds.round import SETTINGS

    folder, options = asked.folder, list(asked.options)
    if folder.startswith("-"):  # an option where a folder may stand
        folder, options = "trials-notebooks", [folder, *options]
    own = Path(folder) / NOTEBOOK
    if not own.is_file() and any((own.parent / name).is_file() for name in (IDEA, SETTINGS)):
        write_notebook(own.parent, own.parent.resolve().name)
    refuse_mistyped(Path(folder))
    home = own.parent.resolve() if own.is_file() else copy_notebooks(Path(folder))
    return run_lab(home, own.name if own.is_file() else "", options, tell=tell)
