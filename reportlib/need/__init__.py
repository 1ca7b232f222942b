"""Need against ability: whether what is listened to at a seat is within what was measured."""

from reportlib.need.ability import Ability, Loss, LossAt, abilities, loss_over
from reportlib.need.answers import answer_need, combined, judged
from reportlib.need.wants import NEEDS, Need

__all__ = [
    "NEEDS",
    "Ability",
    "Loss",
    "LossAt",
    "Need",
    "abilities",
    "answer_need",
    "combined",
    "judged",
    "loss_over",
]
