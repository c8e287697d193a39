"""What is true in an invented world: how strongly each step acts, and how much else is going on beside the steps.

Every ratio here is invented. No published hazard ratio links a commissioning step to a failure: these are chosen so that
their order makes sense to the trade (no evacuation leaves moisture and acid, no nitrogen flow leaves scale in the
metering device), and so that a fleet of 8,000 shows some effects clearly, some barely and some not at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

STEPS = (
    "nitrogen_flow", "pressure_test", "nitrogen_release", "evacuation", "vacuum_rise",
    "charge", "airflow", "charge_check", "electrical",
)  # fmt: skip

EARLY_YEARS = 2.0  # early: the first two years of a life


@dataclass(frozen=True)
class Outcome:
    """One kind of event. Its rate at age t years is yearly_rate x (1 + t)^(shape - 1) x all the ratios that apply."""

    name: str
    yearly_rate: float
    shape: float
    cost_median: float
    ratios: dict[str, tuple[float, float]]  # step -> (early, late), of a step that is not good against good


OUTCOMES: tuple[Outcome, ...] = (
    Outcome(
        "compressor_failure", 0.0021, 1.35, 2400,
        {
            "nitrogen_flow": (1.20, 1.80), "pressure_test": (1.10, 1.15), "evacuation": (1.60, 2.20),
            "vacuum_rise": (1.30, 1.60), "charge": (1.50, 1.60), "airflow": (1.30, 1.60), "charge_check": (1.40, 1.40),
            "electrical": (1.15, 1.00),
        },
    ),
    Outcome("refrigerant_leak", 0.010, 1.10, 520, {"pressure_test": (2.40, 1.70), "vacuum_rise": (1.80, 1.30)}),
    Outcome(
        "metering_restricted", 0.0030, 1.10, 480,
        {"nitrogen_flow": (2.60, 2.00), "evacuation": (1.80, 1.50), "vacuum_rise": (1.30, 1.20)},
    ),
    Outcome("low_charge", 0.0060, 1.05, 330, {"charge": (2.20, 1.50), "charge_check": (1.90, 1.40), "pressure_test": (1.50, 1.30)}),
    Outcome("over_charge", 0.0020, 1.00, 260, {"charge": (2.30, 1.50), "charge_check": (2.10, 1.40)}),
    Outcome("noncondensables", 0.0013, 1.00, 420, {"evacuation": (3.00, 1.80)}),
    Outcome("acid_in_oil", 0.0012, 1.30, 560, {"evacuation": (1.80, 2.40), "vacuum_rise": (1.40, 1.60)}),
    Outcome("moisture_in_circuit", 0.0013, 1.10, 470, {"evacuation": (2.50, 1.70), "vacuum_rise": (2.00, 1.50)}),
    Outcome("debris_in_circuit", 0.0012, 1.00, 480, {"nitrogen_flow": (3.00, 1.80)}),
    Outcome("coil_freeze", 0.0050, 1.00, 310, {"airflow": (2.20, 1.80), "charge": (1.40, 1.30), "charge_check": (1.40, 1.20)}),
    Outcome("low_airflow", 0.0050, 1.10, 280, {"airflow": (2.80, 2.00)}),
    Outcome("electrical", 0.0120, 1.20, 290, {"electrical": (1.90, 1.30)}),
    Outcome("drain", 0.0110, 1.10, 210, {"airflow": (1.30, 1.30)}),
    # the negative control: nothing that is done to the circuit or the blower can cause it
    Outcome("thermostat", 0.0150, 1.00, 190, {}),
    Outcome("no_fault_found", 0.0100, 0.90, 130, {}),
    Outcome("other", 0.0100, 1.10, 260, {}),
)  # fmt: skip
OUTCOME_BY_NAME = {outcome.name: outcome for outcome in OUTCOMES}
BURNOUT_SHARE = 0.62  # of compressor failures; the rest are mechanical, whatever the steps were
VISITED_RATIO = 0.55  # what a proactive visit that put something right leaves of the compressor's rate

EQUIPMENT_RATIO = {"split_ac": 1.00, "split_heat_pump": 1.25, "ductless": 0.90, "packaged": 1.10}
LEAK_RATIO_OF_JOINTS = {"brazed": 1.00, "pressed": 0.90, "flared": 1.40, "none": 0.50}


@dataclass(frozen=True)
class World:
    """What holds in one world.

    effect_share : the log of every step's ratio is multiplied by this (0: no step matters).
    harm_of_carelessness : log ratio on every outcome for a technician one standard deviation more careless.
    harm_spread : standard deviation of what else lies in the technician, on the log scale.
    hurry_logit, hurry_harm : hurried jobs have this much lower log odds of a good step, and this log ratio on every
        outcome, the negative control's too.
    lost_share : share of jobs whose whole record is lost, for an average technician; lost_when_bad multiplies the odds
        for each step that was not good.
    ticked_though_good : share of the steps ticked without a reading that were in truth good.
    sends_the_worst : those with the weakest record are sent on courses, instead of half the people by lot.
    """

    name: str
    effect_share: float = 1.0
    harm_of_carelessness: float = 0.20
    harm_spread: float = 0.12
    hurry_logit: float = -0.45
    hurry_harm: float = 0.0
    lost_share: float = 0.025
    lost_when_bad: float = 1.0
    ticked_though_good: float = 0.0
    sends_the_worst: bool = False


USUAL = World("usual")
HARD = World(
    "hard", harm_of_carelessness=0.35, harm_spread=0.2, hurry_logit=-1.0, hurry_harm=0.35, lost_share=0.04,
    lost_when_bad=1.15, sends_the_worst=True,
)  # fmt: skip
WORLDS: dict[str, World] = {
    "usual": USUAL,
    "hard": HARD,
    "null": replace(USUAL, name="null", effect_share=0.0),
    "null_hard": replace(HARD, name="null_hard", effect_share=0.0),
    "blurred": replace(USUAL, name="blurred", ticked_though_good=0.5),
}
