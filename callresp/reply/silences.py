"""Why a call is left alone: reasons by kind, each with the setting that would change it.

Conventions
-----------
A reason is one line, ``kind (setting): detail``. What stands before the colon
is the same for every call that is left alone for that reason, so that reports
can add up kinds; figures of the single call come after it. Settings are named
as ``audition --sweep`` names them: ``manners.rest_s``, ``rule.1.when.notes``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from callresp.io.score import Phrase, Unanswered
from callresp.io.wording import counted


def reason(kind: str, setting: str, detail: str = "") -> str:
    """A reason in one line.

    Parameters
    ----------
    kind
        What holds for every call that is left alone for this reason.
    setting
        The setting, or the settings, that would change it.
    detail
        What holds for this call only.

    Examples
    --------
    >>> reason("no rest to answer in", "manners.patience_s", "none within 2.5 s")
    'no rest to answer in (manners.patience_s): none within 2.5 s'
    """
    head = f"{kind} ({setting})"
    return f"{head}: {detail}" if detail else head


def left_alone(phrase: Phrase, rule: str, why: str) -> Unanswered:
    """What is told of a phrase that is not answered: which rule, or the manners, and why."""
    return Unanswered(unanswered=phrase.id, at_s=phrase.onset_s, rule=rule, why=why)


def kind_of(why: str) -> str:
    """The kind of a reason with its setting, without what differs from call to call."""
    return why.split(":")[0].strip()


def tally(whys: Iterable[str]) -> dict[str, int]:
    """How many calls were left alone for each kind of reason, commonest first."""
    return dict(Counter(kind_of(why) for why in whys).most_common())


def no_rule_fits(unmet: Iterable[tuple[int, str, str, str]]) -> str:
    """No rule's conditions are met.

    Parameters
    ----------
    unmet
        Of each rule: its number from 1, its name, the first setting by which the
        call is not its, and how.
    """
    parts = [f"{name}, {how} (rule.{number}.{key})" for number, name, key, how in unmet]
    return reason("no rule fits", "when", "; ".join(parts))


def tired(replies: int) -> str:
    """The rules' weight has worn off."""
    return reason(
        "tired of answering", "tires", counted(replies, "reply", "replies") + " in five minutes"
    )


def no_striker(number: int, rule: str, pitched: bool, by_table: bool) -> str:
    """No note of the call has a striker to go to."""
    setting = "table" if by_table and pitched else "strikers" if pitched else "unpitched"
    return reason(
        "no striker for any of its notes", setting, f"by rule '{rule}' (rule.{number}.{setting})"
    )


def waiting(phrase: int, from_s: float) -> str:
    """Another call waited, too, and got the rest for its answer."""
    detail = f"call {phrase}, answered from {from_s:.1f} s on"
    return reason("another call was waiting for its answer", "manners.patience_s", detail)


def answering(phrase: int, until_s: float) -> str:
    """The machine was sounding."""
    detail = f"call {phrase}, until {until_s:.1f} s"
    return reason("it was still answering another call", "rule.at_most", detail)


def resting(phrase: int, until_s: float) -> str:
    """The machine had sounded and rested."""
    detail = f"after call {phrase}, until {until_s:.1f} s"
    return reason("it was resting after a reply", "manners.rest_s", detail)


def no_rest(patience_s: float) -> str:
    """Others that it gives way to never left a gap."""
    return reason("no rest to answer in", "manners.patience_s", f"none within {patience_s:g} s")


def began_again(voice: str, patience_s: float) -> str:
    """The caller began its next phrase before the reply could begin."""
    detail = f"voice {voice} was singing when {patience_s:g} s of waiting were over"
    return reason("its singer began again", "manners.patience_s", detail)


def sings_on(voice: str, *, beneath: bool) -> str:
    """The caller did not rest, and the machine does not, or does not yet, sound beneath it."""
    setting = "manners.patience_s" if beneath else "manners.sings_on"
    detail = f"voice {voice} sang past the longest phrase, and on"
    return reason("its singer did not rest", setting, detail)


def crackle(count: int) -> str:
    """It is one of many brief or harsh sounds without a rhythm."""
    detail = f"one of {count} such sounds within a minute"
    return reason(
        "brief or harsh, without rhythm, as drops and surf are", "manners.crackle", detail
    )


def had_its_share(share: float) -> str:
    """The machine has sounded enough in this minute."""
    return reason("it has had its share of this minute", "manners.share_max", f"{share:.0%}")


def quiet_hour(share: float) -> str:
    """The quiet end of the hour."""
    return reason("the quiet end of the hour", "manners.quiet_share", f"its last {share:.0%}")


def echo_falls_on(voice: str, over_s: float) -> str:
    """The echo of the reply would sound into the singer's next phrase."""
    detail = f"voice {voice} may be back {over_s:.1f} s before it is over"
    return reason("its echo would fall on the singer", "rule.echo", detail)


def come_back(return_s: float) -> str:
    """The birds have only come back."""
    return reason("calls have only come back", "manners.return_s", f"let them sing {return_s:g} s")


def rules_changed() -> str:
    """The rules were changed while a reply waited."""
    return reason("the rules were changed before it could sound", "rule")


def over() -> str:
    """The sound ended."""
    return "the sound ended before it could be answered"


def cut_short(at_s: float) -> str:
    """One that is given way to began before the first stroke."""
    detail = f"a call began at {at_s:.1f} s"
    return reason("it left off before its first stroke", "manners.leave_off", detail)
