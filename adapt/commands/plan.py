"""`adapt plan`: the moves that bring a job inside its limits."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from adapt.commands.answering import (
    CANNOT_BE_MET,
    DONE,
    answer,
    coefficients,
    learn_all,
    list_suspects,
    read,
    say,
    say_left_out,
)
from adapt.commands.asking import (
    AIMS,
    Commands,
    amounts,
    chance,
    files,
    minutes,
    moves,
    published_set,
    seconds,
)
from adapt.commands.logbook.asking_book import by, who_of
from adapt.database.place import is_logbook
from adapt.problems import BadInput

if TYPE_CHECKING:
    from adapt.planning.plan import Plan

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "plan",
        "plan the moves that bring a job's readings inside their limits on the next run",
        "adapt plan main-rotor.toml log/ --job J-014 --chart chart.csv\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --coefficients old.json --aim smoothest\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --lock-blade red --cap 'hub weight' 200\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --try red 'hub weight' -40",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job to plan for")
    source = sub.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument(
        "--coefficients", metavar="F", help="coefficients written by learn; newer pairs are added"
    )
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")
    sub.add_argument(
        "--aim",
        choices=AIMS,
        default="fewest",
        help="fewest moves that reach the chance (default); smoothest = lowest worst ratio; "
        "quickest = least labour; likeliest = highest chance",
    )
    sub.add_argument(
        "--chance",
        metavar="P",
        type=chance,
        default=0.9,
        help="chance asked for that the next run is inside every limit (default 0.9); "
        "0 = only predicted inside",
    )
    sub.add_argument("--most-moves", metavar="K", type=moves, help="no more moves than this")
    sub.add_argument("--limits", metavar="S", help="the set of limits that the rotor file names S")
    sub.add_argument(
        "--seconds",
        metavar="T",
        type=seconds,
        help="time after which the best plan so far is given, not proven (default 20)",
    )
    sub.add_argument(
        "--no-hedge", action="store_true", help="trust the predicted readings as they stand"
    )
    _plan_within(sub)
    _plan_beside(sub)
    _order(sub)


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.learning.suspects.slipped import slips
    from adapt.reports.log.suspects import concerns_of
    from adapt.reports.planning.plan_documents import plan_document
    from adapt.reports.planning.planned import plan_report
    from adapt.reports.show import step

    rotor, history = read(asked)
    say_left_out(asked, history)
    known, origin = coefficients(asked, rotor, history)
    with step("Planning", quiet=asked.json):
        plan = adapt.plan(
            rotor,
            known,
            history,
            job=asked.job,
            aim=asked.aim,
            chance=asked.chance,
            most_moves=asked.most_moves,
            limits=asked.limits,
            hedge=not asked.no_hedge,
            regimes=asked.regime or None,
            locked_blades=asked.lock_blade,
            locked_adjusters=asked.lock_adjuster,
            locked=[(blade, adjuster) for blade, adjuster in asked.lock],
            caps=amounts("--cap", asked.cap),
            largest_moves=amounts("--largest-move", asked.largest_move),
            weights=amounts("--weight", asked.weight),
            only_inside=asked.only_inside,
            most_minutes=asked.most_minutes,
            run_minutes=asked.run_minutes,
            by_hand=asked.by_hand,
            track_first=asked.track_first,
            prefer_teaching=asked.prefer_teaching,
            **({} if asked.seconds is None else {"seconds": asked.seconds}),
        )
    if asked.order is not None:
        _keep_order(asked, plan, origin)
    agreed = slips(rotor, known, history, plan.rotor)
    concerns = concerns_of(
        known, history, plan.rotor, (list_suspects(asked), learn_all(asked)), agreed, plan.job
    )
    answer(
        asked,
        lambda: plan_document(plan, rotor, origin, concerns),
        lambda: plan_report(plan, rotor, origin, concerns),
    )
    return DONE if plan.feasible else CANNOT_BE_MET


def _order(sub: argparse.ArgumentParser) -> None:
    """Add that the moves are ordered."""
    ordering = sub.add_argument_group("where LOG is a logbook")
    ordering.add_argument(
        "--order",
        metavar="NOTE",
        nargs="?",
        const="",
        help="keep the moves as ordered, with a note, so that they stand beside those made",
    )
    by(ordering)


def _keep_order(asked: argparse.Namespace, plan: Plan, origin: str) -> None:
    """Keep the moves of a plan as ordered in the logbook that was planned from."""
    from adapt.database.opening import open_logbook
    from adapt.database.states import latest
    from adapt.logbook.ordering import order

    if not is_logbook(asked.log) or asked.as_known_on is not None:
        raise BadInput("--order: expected LOG to be a logbook, as it is now")
    book = open_logbook(asked.log, to_write=True)
    with book.reading() as connection:
        known = latest(connection)
    change = order(book, plan, known, origin, who_of(asked), asked.order)
    say(f"ordered, as change {change}")


def _plan_within(sub: argparse.ArgumentParser) -> None:
    """Add what a plan must keep to tonight."""
    within = sub.add_argument_group(
        "what the plan keeps to (each may be given more than once, but for --most-minutes)"
    )

    def several(option: str, metavar: str | tuple[str, ...], what: str) -> None:
        count = None if isinstance(metavar, str) else len(metavar)
        within.add_argument(
            option, metavar=metavar, nargs=count, action="append", default=[], help=what
        )

    several("--lock-blade", "B", "leave this blade as it is")
    several("--lock-adjuster", "A", "leave this adjuster as it is")
    several("--lock", ("B", "A"), "leave this adjuster on this blade as it is")
    several("--cap", ("A", "X"), "no blade may carry more than X of this adjuster, in either sense")
    several("--largest-move", ("A", "X"), "move this adjuster by X at most")
    several("--regime", "R", "plan for this regime (those that are named) alone")
    several(
        "--weight", ("R", "W"), "count this regime's ratios W times in the worst ratio (smoothest)"
    )
    several(
        "--only-inside",
        "S",
        "this sensor (or 'track') must be inside, but need not be brought lower",
    )
    within.add_argument(
        "--most-minutes", metavar="M", type=minutes, help="no more labour than this"
    )


def _plan_beside(sub: argparse.ArgumentParser) -> None:
    """Add other ways to plan, and what is shown beside the plan."""
    beside = sub.add_argument_group("other ways to plan, and what stands beside the plan")
    beside.add_argument(
        "--run-minutes",
        metavar="M",
        type=minutes,
        help="what another run costs; quickest then makes all labour small that is to be expected",
    )
    beside.add_argument(
        "--track-first",
        action="store_true",
        help="plan the track alone, and say what balancing is then expected to need",
    )
    beside.add_argument(
        "--prefer-teaching",
        action="store_true",
        help="of plans that are nearly equal take the one whose next run teaches most",
    )
    beside.add_argument(
        "--try",
        metavar=("B", "A", "X"),
        nargs=3,
        action="append",
        default=[],
        dest="by_hand",
        help="a move of your own (blade, adjuster, amount) to hold beside the plan; may be given "
        "more than once",
    )
