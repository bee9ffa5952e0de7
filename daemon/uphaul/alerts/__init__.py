"""The life cycle of alerts and the policy of annunciation. Pure."""

from uphaul.alerts.model import Carried, Condition, Notice, NoticeKind, State, Transition

__all__ = ["Carried", "Condition", "Notice", "NoticeKind", "State", "Transition"]
