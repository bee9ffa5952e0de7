"""The life cycle of alerts and the policy of annunciation. Pure."""

from uphaul.alerts.model import Condition, Notice, NoticeKind, State, Transition

__all__ = ["Condition", "Notice", "NoticeKind", "State", "Transition"]
