"""Which kind of action a stretch is, in the trade's words, how sure that is, and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .action_features import Features
from .strikes import Strike

KINDS = (
    "idle", "locomotion", "turn", "strike", "dodge", "jump", "fall", "lying", "get_up", "roll", "gesture",
    "other",
)  # fmt: skip
"""What a clip can be."""

# Lengths in leg lengths. Chosen on labelled takes (tests/benchmarks/cuts_table.py, seeds below 100), each far
# from what the other kinds of action show there.
_INVERTED = -0.3  # cosine of the trunk's tilt: the head is well below the hips
_ROLL_HIPS = 0.45  # a roll brings the hips lower than a cartwheel, which keeps them at 0.85
_CRAWL_SHARE = 0.4  # of the time, low down, that is a crawl
_CRAWL_PATH = 0.6
_MIN_STEPS, _MIN_PATH, _MIN_SPEED = 3, 1.0, 0.35
_LONG_PATH = 1.6  # where two steps are enough: the others are handed over to what comes before and after
_STRAIGHT_SHARE = (
    0.4  # of the path that gets somewhere else, where it does not curve: a dance treads in place
)
_MAX_ARC_DEG_LEG = (
    110.0  # of turn for each leg length of path: a walk in a curve has 60, a dance that whirls 180
)
_RUN_SPEED, _SPRINT_SPEED = (
    2.2,
    6.0,
)  # leg lengths a second: 1.9 and 5.2 m/s on legs of 0.86 m (common practice)
_RUN_FLIGHTS = 2
_LEAP_RISE, _LEAP_AIR_S = 0.25, 0.35  # a run rises by 0.15 and flies for 0.2 s
_CURVE_DEG = 40.0
_TURN_REACHES = 2.5  # how far a turn may leave its guard, in the guard's reaches, feet and all
_TURN_PATH = 1.0
_HEAD_OFF, _HEAD_BACK = (
    0.15,
    0.35,
)  # how far the head leaves its line in a dodge; the share that is left at its end
_DUCK_DROP = 0.15  # of the hips
_DODGE_S = 2.5
_DODGE_ARMS = 0.45  # in a slip hands stay where they were before the chest; in a duck they may cover the head
_GESTURE_STANCE, _GESTURE_ARMS = 0.16, 0.2
_MIN_SINK = 0.3
_MIN_STEP_OUT, _STEP_TURN_DEG = 0.3, 45.0  # a guard's own steps take it 0.15
_STEP_AWAY = 1.2  # how far a dodge may step


@dataclass(frozen=True)
class Kind:
    """What an action is.

    Attributes:
        kind: one of KINDS.
        words: for its name: ("punch", "left").
        sure: 0.5, it could be another kind, to 1.
        why: a sentence.
    """

    kind: str
    words: tuple[str, ...]
    sure: float
    why: str


def tell_kind(do: Features, turn_deg: float, jump_rise: float) -> Kind:
    """The kind of an action by what it does; the first that fits, in the order of the rules below.

    Args:
        do: its features.
        turn_deg: least turn of a turn.
        jump_rise: least rise of the hips of a jump, leg lengths.
    """
    rules: tuple[Callable[[], Kind | None], ...] = (
        lambda: _floor(do),
        lambda: _overhead(do),
        lambda: _strike(do),
        lambda: _jump(do, jump_rise),
        lambda: _locomotion(do),
        lambda: _turn(do, turn_deg),
        lambda: _dodge(do),
        lambda: _gesture(do),
    )
    for rule in rules:
        if found := rule():
            return found
    if abs(do.sinks) > _MIN_SINK:
        word, way = ("crouch", "down") if do.sinks > 0 else ("rise", "up")
        return Kind(
            "other", (word,), 0.7, f"the hips go {abs(do.sinks):.2f} leg lengths {way} and stay there"
        )
    return Kind("other", ("other",), 0.5, f"{do.seconds:.1f} s that are none of the other kinds")


def _sure(*pairs: tuple[float, float]) -> float:
    """0.5 where a value is at its limit, up to 1 where it is far above; the least of all (value, limit)."""
    return min(1 - 0.5 * min(limit / max(value, 1e-9), 1.0) ** 2 for value, limit in pairs)


def _side(value: float) -> str:
    return "left" if value > 0 else "right"


def _floor(do: Features) -> Kind | None:
    """Down to the floor, up from it, or along it on all fours."""
    if do.lies_first != do.lies_last:
        word, kind = ("lies down", "fall") if do.lies_last else ("gets up from the floor", "get_up")
        return Kind(kind, (kind,), _sure((1 - do.lowest_hips, 0.4)), f"it {word} within {do.seconds:.1f} s")
    if do.least_upright > _INVERTED and do.lying_share >= _CRAWL_SHARE and do.path >= _CRAWL_PATH:
        why = f"{do.path:.1f} leg lengths over the floor with the trunk level"
        words = ("crawl", _direction(do))
        return Kind("locomotion", words, _sure((do.lying_share, 0.3), (do.path, _CRAWL_PATH)), why)
    if do.lies_first and do.lies_last:
        return Kind("lying", ("lying",), 0.6, f"it lies for {do.seconds:.1f} s and moves")
    return None


def _overhead(do: Features) -> Kind | None:
    """The head goes below the hips: a roll, a somersault, or a cartwheel."""
    if do.least_upright > _INVERTED:
        return None
    if do.lowest_hips < _ROLL_HIPS:
        way = "forward" if do.ahead > 0 else "back"
        why = f"head over the floor, hips down to {do.lowest_hips:.2f} leg lengths"
        return Kind("roll", ("roll", way), _sure((_ROLL_HIPS, do.lowest_hips)), why)
    if do.inverted_air_share > 0.9 and do.rise > 0:
        way = "forward" if do.ahead > 0 else "back"
        why = f"head below the hips in a flight of {do.air_s:.2f} s"
        return Kind("jump", ("flip", way), _sure((do.air_s, 0.2)), why)
    return Kind("other", ("cartwheel",), 0.7, "head below the hips, and hands on the floor")


def _strike(do: Features) -> Kind | None:
    """One blow, or several."""
    if not do.strikes:
        return None
    fastest = max(do.strikes, key=lambda one: one.speed)
    sure = _sure((fastest.speed, 4.0))
    if len(do.strikes) > 1:
        blows = ", ".join(_blow(one) for one in do.strikes)
        return Kind("strike", ("combo",), sure, f"{len(do.strikes)} blows without a guard between: {blows}")
    word = "kick" if fastest.shape == "kick" else "punch"
    why = f"{_blow(fastest)} at {fastest.speed:.1f} limb lengths a second, stopped at its reach"
    return Kind("strike", (word, _limb_side(fastest)), sure, why)


def _limb_side(strike: Strike) -> str:
    return "left" if strike.limb.startswith("left") else "right"


def _blow(strike: Strike) -> str:
    """A blow in words: "straight of the left hand"."""
    limb = strike.limb.removeprefix(_limb_side(strike)).lower()
    return f"{strike.shape} of the {_limb_side(strike)} {limb}"


def _jump(do: Features, jump_rise: float) -> Kind | None:
    """A flight or two, no gait: the hips rise well above where they stand."""
    if not do.flights or do.rise < jump_rise or do.lying_share > 0.1:
        return None
    leaps = do.rise > _LEAP_RISE and do.air_s > _LEAP_AIR_S
    if not leaps and (do.flights > _RUN_FLIGHTS or do.steps > _MIN_STEPS + 2):
        return None
    if abs(do.turn_deg) > 400:  # whirled around twice: a dance
        return None
    why = f"no foot down for {do.air_s:.2f} s, hips {do.rise:.2f} leg lengths up"
    words = ("jump", _direction(do)) if do.way > 0.5 else ("jump",)
    return Kind("jump", words, _sure((do.rise, jump_rise)), why)


def _locomotion(do: Features) -> Kind | None:
    """Steps that lead somewhere."""
    long = do.steps >= 2 and do.path >= _LONG_PATH
    if (do.steps < _MIN_STEPS and not long) or do.path < _MIN_PATH or do.speed < _MIN_SPEED:
        return None
    curve = abs(do.bend_deg)
    if curve / do.path > _MAX_ARC_DEG_LEG or (curve < 90 and do.way < _STRAIGHT_SHARE * do.path):
        return None
    flying = do.flights > _RUN_FLIGHTS and do.speed > 0.6 * _RUN_SPEED
    gait = "sprint" if do.speed > _SPRINT_SPEED else "run" if flying or do.speed > _RUN_SPEED else "walk"
    words = [gait, _direction(do)] if curve < _CURVE_DEG else [gait, "curve", _side(do.bend_deg)]
    why = f"{do.steps} steps, {do.path:.1f} leg lengths at {do.speed:.1f} a second"
    why += f", {curve:.0f} degrees to the {_side(do.bend_deg)}" if curve >= _CURVE_DEG else ""
    return Kind("locomotion", tuple(words), _sure((do.path, _MIN_PATH), (do.steps, 2.0)), why)


def _direction(do: Features) -> str:
    """Where it goes, as the body faces."""
    if abs(do.ahead) >= abs(do.left):
        return "forward" if do.ahead >= 0 else "back"
    return _side(do.left)


def _turn(do: Features, turn_deg: float) -> Kind | None:
    """Another heading in nearly the same place and pose."""
    angle = abs(do.turn_deg)
    if angle < turn_deg or do.path > _TURN_PATH or do.reaches > _TURN_REACHES or angle > 400:
        return None
    rounded = max(45, 45 * round(angle / 45))
    why = f"{angle:.0f} degrees to the {_side(do.turn_deg)} in place"
    return Kind("turn", ("turn", _side(do.turn_deg), str(rounded)), _sure((angle, turn_deg)), why)


def _dodge(do: Features) -> Kind | None:
    """Head and trunk leave the line and come back, or all of the body does."""
    if _MIN_STEP_OUT <= do.out <= _STEP_AWAY and do.way <= _HEAD_BACK * do.out and do.seconds <= _DODGE_S:
        if do.arms > _DODGE_ARMS or abs(do.turn_deg) > _STEP_TURN_DEG:
            return None
        side = _side(do.out_left) if abs(do.out_left) > abs(do.out_ahead) else ""
        side = side or ("forward" if do.out_ahead > 0 else "back")
        why = f"steps {do.out:.2f} leg lengths {side} and comes back"
        return Kind("dodge", ("step", side), _sure((do.out, _MIN_STEP_OUT)), why)
    off = max(abs(do.head_aside), do.head_drop, do.head_back)
    if off < _HEAD_OFF or do.seconds > _DODGE_S or do.way > _STEP_AWAY:
        return None
    if do.head_returns > _HEAD_BACK * off + 0.05 or do.least_upright < 0.3:
        return None
    words: tuple[str, ...]
    if do.head_drop >= max(abs(do.head_aside), do.head_back):
        if do.drop < _DUCK_DROP:  # the trunk alone: a bow
            return None
        words, way = ("duck",), f"{do.head_drop:.2f} leg lengths down"
    elif do.arms > _DODGE_ARMS:
        return None
    elif do.head_back > abs(do.head_aside):
        words, way = ("slip", "back"), f"{do.head_back:.2f} leg lengths back"
    else:
        words = ("slip", _side(do.head_aside))
        way = f"{abs(do.head_aside):.2f} leg lengths to the {_side(do.head_aside)}"
    return Kind("dodge", words, _sure((off, _HEAD_OFF)), f"the head goes {way} and comes back")


def _gesture(do: Features) -> Kind | None:
    """Arms alone."""
    if do.stance > _GESTURE_STANCE or do.arms < _GESTURE_ARMS:
        return None
    words = ("gesture",) if do.far_arm == "both" else ("gesture", do.far_arm)
    hand = "both hands go" if do.far_arm == "both" else f"the {do.far_arm} hand goes"
    why = f"{hand} {do.arms:.2f} leg lengths while the legs stand"
    return Kind("gesture", words, _sure((do.arms, _GESTURE_ARMS), (_GESTURE_STANCE, do.stance)), why)
