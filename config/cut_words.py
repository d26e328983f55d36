"""The cut plan as its page says it: what each cut wants and gets, which limit bound it, the sums.

Call from: config/cut_page.py.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from inventory.charts import hours_chart, measure
from inventory.setting_book import SettingBook
from orders.calc.cut_limits import BASES, HOURS, PARENTS, SLOTS, WEEKS, CutGrant, trays_standing
from orders.calc.weeks import iso_week_name, week_monday
from orders.cut_plan import PLAN_WEEKS, CutPlan, Demand, PlannedCut

# What is shown cut by cut.
SOON = timedelta(weeks=2)


def plan_context(*, plan: CutPlan, on: date, book: SettingBook) -> dict[str, Any]:
    """All that the page says of a plan."""
    soon = [row for row in plan.cuts if row.week.cut_by_on <= on + SOON]
    later = [row for row in plan.cuts if row.week.cut_by_on > on + SOON]
    weeks = _week_rows(plan)
    return {
        "plan": len(plan.cuts),
        "sums": _sums(plan, weeks),
        "soon": [_cut_row(row) for row in soon],
        "soon_until": on + SOON,
        "later": _later_rows(later),
        "weeks": weeks,
        "hours_chart": hours_chart(
            rows=[(row["short"], row["wanted"], row["planned"], row["there"]) for row in weeks]
        )
        if plan.cuts
        else "",
        "slots": _slot_rows(plan),
        "sale_percent": f"{100 * book.number('parents_sale_share'):.0f}",
    }


def _sums(plan: CutPlan, weeks: Sequence[dict[str, Any]]) -> dict[str, Any]:
    grants = plan.grants
    whole = sum(not grant.bound for grant in grants)
    none = sum(not grant.pieces for grant in grants)
    bound = {
        words: sum(grant.bound == name for grant in grants)
        for name, words in (
            (PARENTS, "parents"),
            (BASES, "bases"),
            (SLOTS, "free slots"),
            (HOURS, "cutter hours"),
            (WEEKS, "not free in the same weeks"),
        )
    }
    return {
        "wanted": sum(row.week.cut_pieces for row in plan.cuts),
        "got": sum(grant.pieces for grant in grants),
        "hours_wanted": f"{sum(row.hours for row in plan.cuts):.1f}",
        "hours_got": f"{sum(grant.hours for grant in grants):.1f}",
        "hours_there": f"{sum(row['there'] for row in weeks):.1f}",
        "mothers": sum(grant.mothers for grant in grants),
        "sale_parents": sum(grant.sale_parents for grant in grants),
        "whole": whole,
        "part": len(grants) - whole - none,
        "none": none,
        "bound": [f"{words} {count}" for words, count in bound.items() if count],
    }


def _cut_row(row: PlannedCut) -> dict[str, Any]:
    week, grant = row.week, row.grant
    return {
        "by": f"{week.cut_by_on:%a %-d %b %Y}",
        "what": str(row.strain_form),
        "wants": week.cut_pieces,
        "gets": grant.pieces,
        "bar": measure(part=grant.pieces, whole=week.cut_pieces),
        "so": limit_words(grant),
        "parents": _parent_words(row),
        "hours": f"{grant.hours:.1f}",
        "stands": ", ".join(
            place if trays == 1 else f"{place}: {trays} trays"
            for place, trays in sorted(grant.slots.items())
        ),
        "week": iso_week_name(week.monday),
        "terms": (
            f"{week.demand_pieces:g} likely asked ({_demand_words(row.demand)}), "
            f"{week.supply_pieces:g} there by then. {_alone_words(grant)}"
        ),
    }


def _parent_words(row: PlannedCut) -> str:
    grant = row.grant
    parts = []
    if grant.mothers:
        parts.append(f"{grant.mothers} mother{'' if grant.mothers == 1 else 's'}")
    if grant.sale_parents:
        parts.append(f"{grant.sale_parents} for sale")
    words = " and ".join(parts) or "none"
    return f"{words} of {row.parents} wanted" if grant.bound else words


def limit_words(grant: CutGrant) -> str:
    """Which limit bound a cut, with its numbers. One sentence."""
    if not grant.bound:
        return "gets all of it"
    if grant.bound == WEEKS:
        return "each limit by itself would do, but they are not free in the same weeks"
    most = grant.alone[grant.bound]
    places = " and ".join(grant.wish.places)
    words = {
        PARENTS: f"parents: {_there_words(grant)}" + (f", {most} pieces" if most else ""),
        BASES: f"bases: {most or 'none'} may be used by then, and it is too late to mix more",
        SLOTS: (f"free slots: {places} will take {most or 'no'} pieces" if places
                else "free slots: nothing like it stands in any trough"),
        HOURS: f"cutter hours: what is left of them by then makes {most or 'no'} pieces",
    }[grant.bound]  # fmt: skip
    if grant.pieces == most:
        return words
    if grant.bound == PARENTS:
        return f"{words}; cuts before it need the rest, or its weeks have no hours or slots"
    return f"{words}; not all of it in weeks that have parents"


def _there_words(grant: CutGrant) -> str:
    mothers, sale = grant.there
    one = "mother" if mothers == 1 else "mothers"
    return f"the floor lets {mothers or 'no'} {one} go, {sale or 'none'} for sale may be cut up"


def _alone_words(grant: CutGrant) -> str:
    """What each limit by itself would let it have."""
    alone = grant.alone
    return (
        f"By itself each limit would let it have: parents {alone[PARENTS]}, bases {alone[BASES]}, "
        f"free slots {alone[SLOTS]}, hours {alone[HOURS]} of {grant.wish.pieces}."
    )


def _demand_words(demand: Demand) -> str:
    weeks = "1 week" if demand.weeks == 1 else f"{demand.weeks} weeks"
    if demand.is_of_season:
        return f"median of {weeks} of that season, and a tenth"
    return f"no week of that season yet: median of the newest {weeks}, and a tenth"


def _later_rows(cuts: Sequence[PlannedCut]) -> list[dict[str, Any]]:
    """What is cut later, a row a strain-form, the next to be cut first."""
    groups: dict[str, list[PlannedCut]] = {}
    for row in cuts:
        groups.setdefault(str(row.strain_form), []).append(row)
    return [
        {
            "what": name,
            "from": f"{rows[0].week.cut_by_on:%-d %b}",
            "until": f"{rows[-1].week.cut_by_on:%-d %b %Y}",
            "weeks": len(rows),
            "wants": sum(row.week.cut_pieces for row in rows),
            "gets": sum(row.grant.pieces for row in rows),
            "bar": measure(
                part=sum(row.grant.pieces for row in rows),
                whole=sum(row.week.cut_pieces for row in rows),
            ),
            "parents": sum(row.grant.mothers + row.grant.sale_parents for row in rows),
            "hours": f"{sum(row.grant.hours for row in rows):.1f}",
        }
        for name, rows in groups.items()
    ]


def _week_rows(plan: CutPlan) -> list[dict[str, Any]]:
    """Cutter hours by week: wanted by the latest days, planned, and there."""
    mondays = plan.mondays[: PLAN_WEEKS + 1]
    wanted = dict.fromkeys(mondays, 0.0)
    planned = [0.0] * len(mondays)
    for row in plan.cuts:
        wanted[week_monday(row.week.cut_by_on)] += row.hours
        for part in row.grant.parts:
            planned[part.week] += part.pieces / row.grant.wish.pieces_an_hour
    return [
        {
            "name": iso_week_name(monday),
            "short": iso_week_name(monday)[5:],
            "wanted": wanted[monday],
            "planned": planned[at],
            "there": plan.limits.hours[at],
        }
        for at, monday in enumerate(mondays)
    ]


def _slot_rows(plan: CutPlan) -> list[dict[str, Any]]:
    """Troughs that the plan uses: free slots now, and the most it takes at once, and when."""
    standing = trays_standing(grants=plan.grants, weeks=len(plan.mondays))
    rows = []
    for place in plan.limits.free_slots:
        taken = standing.get(place)
        if taken is None:
            continue
        most = max(taken)
        free = max(plan.limits.free_slots[place])
        rows.append(
            {
                "place": place,
                "free": free,
                "now": plan.limits.free_slots[place][0],
                "most": most,
                "when": iso_week_name(plan.mondays[taken.index(most)]),
                "bar": measure(part=most, whole=free),
            }
        )
    return rows
