"""Which rule each setting belongs to, what may be typed for it, and which pages read it.

Call from: config/edit_settings.py. A test holds every name of settings.csv against this table.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from config.edit_fields import Fault, Parser, money, number, one_of, whole, words

SHARE = number(least=0, most=1, like="0.85")
FACTOR = number(least=0.01, most=20, like="1.12")
TEMPERATURE = number(least=-60, most=60, like="20.5")
POSITIVE = number(least=0, most=100000, like="2.5")
WHOLE = whole(least=0, most=100000)
HOURS = number(least=0.5, most=240, like="24")
HOUR_OF_DAY = whole(least=0, most=23)
MONEY = money(most="10000.00")


@dataclass(frozen=True, slots=True)
class SettingRule:
    """Settings of one rule: names, or beginnings of names that end in an asterisk."""

    names: tuple[str, ...]
    parse: Parser
    rule: str
    pages: str
    # Lists of open weeks are drawn before and after; plans of orders not handed over are named.
    moves_lists: bool = False
    moves_plans: bool = False

    def holds(self, name: str) -> bool:
        return any(
            name.startswith(known[:-1]) if known.endswith("*") else name == known
            for known in self.names
        )


def _sides() -> Sequence[tuple[str, str]]:
    return (("up", "up to the next whole inch"), ("nearest", "to the nearest whole inch"))


def waits(text: str) -> str:
    """Seconds, parted by blanks, each longer than the one before."""
    parts = text.split()
    for part in parts:
        if not (part.isascii() and part.isdigit() and 1 <= int(part) <= 604_800):
            raise Fault(f"{part[:20]!r} is no wait. Type whole seconds from 1 to 604800.")
    seconds = [int(part) for part in parts]
    if not 1 <= len(seconds) <= 20 or seconds != sorted(set(seconds)):
        raise Fault("Type 1 to 20 waits, each longer than the one before, such as 10 60 300.")
    return " ".join(parts)


LISTS = "Numbers, the weekly list, Growing, What if"
PLANS = "Packing, the box picture, each order's box and freight"
SETTING_RULES: tuple[SettingRule, ...] = (
    SettingRule(
        ("decay_per_day", "mortality_per_30_days", "decay_cap", "sample_cut", "growing_share"),
        SHARE,
        "how many counted pieces can be relied on for a ship day",
        LISTS,
        moves_lists=True,
    ),
    SettingRule(("p80_factor",), FACTOR, "how late a lot may be ready", LISTS, moves_lists=True),
    SettingRule(
        ("floor_pieces",),
        whole(least=0, most=500),
        "the mother floor that a new strain of the class begins with",
        "the edit page of strains; strains that are here keep their own floor",
    ),
    SettingRule(
        ("open_root_share", "sprout_share"), SHARE, "when a season's trees are open", LISTS,
        moves_lists=True,
    ),
    SettingRule(
        ("open_sample", "pack_window_days", "sprout_least_days", "outgrow_warn_days"), WHOLE,
        "how a season opens, is packed and ends", f"{LISTS}, Seasons", moves_lists=True,
    ),
    SettingRule(
        ("rest_below", "return_from"), number(least=0, most=4, like="2.5"),
        "when a strain rests for its colour and when it returns", f"Walk, {LISTS}",
    ),
    SettingRule(
        ("return_looks", "return_span_days", "least_rest_days", "return_band_days"), WHOLE,
        "how many looks over how many days bring a resting strain back", f"Walk, {LISTS}",
    ),
    SettingRule(
        ("place_look_days", "place_least_looks"), WHOLE,
        "from how many looks a better place for new cuts is said", "Where new cuts do best",
    ),
    SettingRule(
        ("place_prior_looks", "place_least_gain", "place_most_share"),
        number(least=0, most=100, like="0.5"),
        "how much better a place must be, and how much of a strain one system may hold",
        "Where new cuts do best",
    ),
    SettingRule(
        (
            "healing_days", "base_cure_days", "base_rinse_days", "base_batch_pieces",
            "base_notice_days",
        ),
        WHOLE,
        "how long cuts heal, how long bases cure, how many a batch has, how early it is told",
        "Cutting, Plugs and bases, letters",
    ),
    SettingRule(
        ("plug_buy_weeks",), WHOLE, "for how many weeks of cuts plugs lie ready",
        "Plugs and bases",
    ),
    SettingRule(
        ("soak_most_ph_rise",), number(least=0.01, most=7, like="0.2"),
        "how much the pH of a soak may rise before bases are let out", "Plugs and bases",
    ),
    SettingRule(
        ("demand_weeks", "demand_season_days", "cut_stony_an_hour", "cut_soft_an_hour"), WHOLE,
        "what shops are likely to ask, and how fast it is cut", "Cutting",
    ),
    SettingRule(
        ("cutter_hours_week",), number(least=0, most=1000, like="10"),
        "the hours of all cutters in a week of five work days", "Cutting",
    ),
    SettingRule(
        ("parents_sale_share",), SHARE,
        "how much of what stands for sale in a week may be cut up", "Cutting",
    ),
    SettingRule(
        ("demand_factor",), FACTOR, "how much more than the median is cut for", "Cutting"
    ),
    SettingRule(
        ("base_hours",), number(least=0.001, most=10, like="0.05"),
        "the crew hours that one base takes", "Plugs and bases",
    ),
    SettingRule(
        ("return_band_few_days", "return_band_seasons", "season_least_looks"), WHOLE,
        "how far a forecast of a return is trusted where no curve was loaded", f"{LISTS}, Seasons",
    ),
    SettingRule(
        ("tier_1_factor", "tier_2_factor", "tier_3_factor"),
        number(least=0.01, most=1, like="0.92"),
        "what a price tier pays of the list price",
        "the weekly list, baskets, orders sent from that day on; orders sent before keep theirs",
        moves_lists=True,
    ),
    SettingRule(
        ("winter_share",),
        number(least=0.01, most=1, like="0.75"),
        "what is proposed for a winter look, of the list price in colour",
        "the edit page of prices; prices that are set stay",
    ),
    SettingRule(
        ("tier_1_weight", "tier_2_weight", "tier_3_weight", "unit_stretch"), FACTOR,
        "the sharing out of a short listing",
        "Sharing, what a basket is likely to get; what is shared out already keeps its record",
    ),
    SettingRule(
        ("shown_cap",), whole(least=1, most=1000), "how many of a listing are shown at most",
        "the weekly list, the feed", moves_lists=True,
    ),
    SettingRule(
        ("old_count_days",), whole(least=1, most=60), "from when on a count is old",
        "six places to look first, the list's signature, the morning's letters", moves_lists=True,
    ),
    SettingRule(
        ("ask_record_weeks",), whole(least=1, most=200),
        "how far back what shops asked and got is looked at", "Who ordered",
    ),
    SettingRule(
        ("grader_half_trusted_looks", "split_grade", "split_days"),
        number(least=0, most=1000, like="10"), "how graders and systems are told apart", "Walk",
    ),
    SettingRule(
        ("sheet_most_mb", "sheet_unpacked_most_mb"), whole(least=1, most=50),
        "how large a filled sheet may be", "the page where a filled sheet is read in",
    ),
    SettingRule(
        ("sheet_most_rows",), whole(least=100, most=20000),
        "how many rows a filled sheet may have", "the page where a filled sheet is read in",
    ),
    SettingRule(
        ("sheet_most_columns",), whole(least=13, most=200),
        "how many columns a filled sheet may have", "the page where a filled sheet is read in",
    ),
    SettingRule(("second_look_share",), SHARE, "when a count asks for a second look", "Walk"),
    SettingRule(
        ("minimum_order",), MONEY,
        "the minimum order of every customer that has none of its own",
        "the first page: orders that need a word; an order below it is kept",
    ),
    SettingRule(
        ("box_fill_share",), SHARE, "how full a box may be", PLANS, moves_plans=True
    ),
    SettingRule(
        ("handling_limit_kg",), number(least=1, most=22.7, like="22.7"),
        "the heaviest box a person lifts", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("fill_mass_kg", "carton_cm"), number(least=0, most=20, like="0.5"),
        "the weight and outer sides of a box", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("billable_divisor", "freight_first_lb"), whole(least=1, most=1000),
        "the billable pounds of a box", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("side_rounding",), one_of(_sides), "how a box's sides are rounded", PLANS,
        moves_plans=True,
    ),
    SettingRule(
        (
            "foam_k_w_m_k", "film_r_m2_k_w", "water_heat_j_l_k", "box_heat_j_k",
            "pack_72_*", "pack_40_*", "pack_wait_h", "pack_ramp_h", "air_*", "gel_w_k", "gel_kj",
        ),
        number(least=0.0001, most=100000, like="2.8"),
        "how warm a box stays on its lane", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("area_factor",), number(least=0.5, most=3, like="1.1"),
        "how warm a box stays on its lane", PLANS, moves_plans=True,
    ),
    # A far finer step takes more time and memory than a small machine has; a coarser one swings.
    SettingRule(
        ("step_s",), whole(least=100, most=900), "the steps in which a box's warmth is reckoned",
        PLANS, moves_plans=True,
    ),
    SettingRule(
        (
            "start_c", "caution_low_c", "caution_high_c", "stop_low_c", "stop_high_c",
            "forecast_shift_c", "no_heat_door_from_c", "no_cool_hub_below_c", "door_least_c",
            "door_most_c", "thumb_*",
        ),
        TEMPERATURE,
        "the verdict of a box: clear, care or stop", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("max_gel_packs",), whole(least=0, most=20), "how many gel packs a box takes", PLANS,
        moves_plans=True,
    ),
    SettingRule(
        ("forecast_max_age_h",), HOURS, "how old a forecast may be when a box is planned",
        "the first page, Packing, hand-over", moves_plans=True,
    ),
    SettingRule(
        ("seal_before_truck_min",), whole(least=0, most=240),
        "by when the last lid must be on", "the bench",
    ),
    SettingRule(
        ("bag_good_h", "bag_warn_h", "bag_stop_h"), HOURS, "how long a tied bag is good",
        "the bench, hand-over",
    ),
    SettingRule(
        ("report_window_h", "depot_window_h"), whole(least=1, most=72),
        "until when a shop may report an arrival",
        "arrival reports, the letter that a box is on the road; reports filed keep theirs",
    ),
    SettingRule(
        ("loss_prior_dead", "loss_prior_alive"), POSITIVE,
        "what is believed of a lane before anything was shipped on it", "Losses",
    ),
    SettingRule(
        ("loss_line", "loss_sure"), SHARE, "when losses ask for a tighter rule", "Losses, Today"
    ),
    SettingRule(
        ("loss_least_pieces",), WHOLE, "when losses ask for a tighter rule", "Losses, Today"
    ),
    SettingRule(
        ("loss_tighter_c",), number(least=0.1, most=5, like="1.0"),
        "how far a signed rule draws both caution lines in", "Losses; rules signed keep theirs",
    ),
    SettingRule(
        ("credit_bag_share",), SHARE, "which credits agree themselves", "arrival reports, Credits"
    ),
    SettingRule(
        ("credit_most",), MONEY, "the largest credit the office or the rule agrees alone",
        "arrival reports, Credits",
    ),
    SettingRule(
        ("box_charge_*", "heat_pack_price", "gel_pack_price", "export_papers_price"), MONEY,
        "what an order pays for boxes, packs and papers", PLANS, moves_plans=True,
    ),
    SettingRule(
        ("fuel_factor",), FACTOR, "the fuel factor on an order's freight", PLANS, moves_plans=True
    ),
    SettingRule(
        ("walk_m_s", "tray_s", "piece_s"), number(least=0.1, most=600, like="1.2"),
        "how long a pick sheet takes to walk", "Sheets",
    ),
    SettingRule(
        ("law_review_days",), whole(least=1, most=1000),
        "how long a law row holds before it must be read again", "region rules as they are edited",
    ),
    SettingRule(
        ("mail_tries", "mail_claim_min"), whole(least=1, most=1000), "how often a letter is tried",
        "Messages",
    ),
    SettingRule(
        ("change_letter_quiet_min",), whole(least=1, most=120),
        "how long an order is left alone before its shop is told of the office's changes",
        "Messages",
    ),
    SettingRule(
        ("mail_wait_*",), number(least=1, most=1000, like="4"), "how long a letter waits",
        "Messages",
    ),
    SettingRule(
        ("hook_waits",), waits, "the waits between the tries of a call", "Hooks",
    ),
    SettingRule(
        ("quantity_event_s",), whole(least=1, most=60),
        "how soon after another a change of what can be had is told", "The feed",
    ),
    SettingRule(
        ("hooks_most", "hook_old_secret_h", "hook_timeout_s", "hook_claim_s"),
        whole(least=1, most=1000), "how retailers' systems are called", "Hooks, the feed",
    ),
    SettingRule(
        ("invite_good_h", "reset_good_h"), whole(least=1, most=336),
        "how long a link that sets a password is good", "People; open links keep their hour",
    ),
    SettingRule(
        ("morning_letters_h", "short_notice_h", "answer_until_h"), HOUR_OF_DAY,
        "the hour at which letters go or answers end", "Messages, the shop's answers",
    ),
    SettingRule(
        ("water_*",), number(least=0, most=5000, like="8.2"), "when a water test is out of range",
        "Water; a test out of range proposes a hold",
    ),
    SettingRule(
        ("stalled_surge_min", "walk_note_most_days"), WHOLE, "what the walk makes of a note", "Walk"
    ),
    SettingRule(
        ("reserve_most_share",), SHARE, "how much of a line's mothers one system may hold",
        "Mothers",
    ),
    SettingRule(
        ("clearness_*", "glaze_share"), SHARE, "the light that reaches a trough",
        "ready dates from the next morning on, Growing",
    ),
    SettingRule(
        ("reference_dli", "least_growth_factor", "most_growth_factor"),
        number(least=0.05, most=100, like="1.2"), "how fast a lot grows in its light",
        "ready dates from the next morning on, Growing",
    ),
    SettingRule(
        ("shell_growth_*",), number(least=0.1, most=60, like="7"), "how fast a clam grows",
        "Seasons, the warning that a clam outgrows its grade",
    ),
)  # fmt: skip


def rule_of(name: str, *, reason: str = "", value: str = "") -> SettingRule:
    """The rule that a setting belongs to; one that is not named above says its own reason."""
    found = next((rule for rule in SETTING_RULES if rule.holds(name)), None)
    if found is not None:
        return found
    is_number = re.fullmatch(r"-?[0-9.]+", value) is not None
    if is_number:
        is_whole = "." not in value
        parse = whole(least=0, most=10**6) if is_whole else number(least=-1000, most=10**6)
    else:
        parse = words(60, is_needed=True)
    return SettingRule((name,), parse, reason or "a rule of its own", "the pages of that rule")
