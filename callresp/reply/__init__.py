"""From a heard score to a reply score."""

from callresp.reply.replier import Replier, answer
from callresp.reply.rules import RuleSet, load_rules

__all__ = ["Replier", "RuleSet", "answer", "load_rules"]
