"""The invented valley: its areas, branches, crews, people and model codes.

Nothing here stands for a real place, person, company or product. The coordinates lie in open ocean on purpose, so that
no dot on a map can fall on somebody's house; the handles of people are a colour and an animal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

VALLEY = "Sallow Reach"
VALLEY_LATITUDE, VALLEY_LONGITUDE = 38.5, -41.5

BRANCH_WORDS = (
    "Upper Weir",
    "Lower Weir",
    "Fell Gate",
    "Long Meadow",
    "Salt Stair",
    "Mill Tarn",
    "Crane Bend",
    "Low Fen",
)
CREW_WORDS = (
    "Kettle", "Beacon", "Causeway", "Lantern", "Millstone", "Thimble", "Anvil", "Windlass", "Gantry", "Paddle",
    "Bellows", "Sluice", "Trestle", "Cinder", "Pulley", "Spindle", "Hatchway", "Ratchet", "Cobble", "Turnstile",
)  # fmt: skip
COLOURS = (
    "Copper", "Slate", "Ochre", "Rusty", "Cobalt", "Umber", "Indigo", "Pewter", "Saffron", "Teal",
    "Ivory", "Coral", "Flint", "Mossy", "Dusky", "Frosty", "Brassy", "Sandy", "Inky", "Pebbly",
)  # fmt: skip
ANIMALS = (
    "Heron", "Otter", "Plover", "Badger", "Stoat", "Newt", "Curlew", "Lynx", "Marten", "Grebe",
    "Ibis", "Tern", "Vole", "Bittern", "Dunlin", "Shrew", "Toad", "Pike", "Perch", "Hare",
)  # fmt: skip
LANES = ("Kettle Lane", "Weir Steps", "Plover Walk", "Tarn Row", "Cinder Path", "Gate Bank", "Fen Drove", "Stile End")
SUBCONTRACTOR_FIRM = "Firm S1 (invented subcontractor)"

FORM_PAPER = "paper sheet 1"  # has no field for the rise test, and no times
FORM_PHONE_1 = "phone form 1"
FORM_PHONE_2 = "phone form 2"
FORM_OFFICE = "office entry 1"  # typed in afterwards: every step is stamped within minutes

# Model codes are made from these and the size: DEMO-AC-36 is a 3 ton split air conditioner.
MODEL_LETTERS = {"split_ac": "AC", "split_heat_pump": "HP", "ductless": "DL", "packaged": "PK"}
MODEL_TIGHT_VACUUM = "DEMO-HP-36"  # its maker asks for 400 micron and a rise below 800
MODEL_TIGHT_VACUUM_TARGET_DELTA_DEGF = 10.0
MODEL_PLATE = "DEMO-AC-36"  # its plate gives the design pressures
MODEL_HIGH_STATIC = "DEMO-AC-48"  # its blower may work against 0.70 inwc
PLATE_DESIGN_PSIG = 450.0
HIGH_STATIC_INWC = 0.70
BLOWER_MODELS = ("DEMO-AC-24", "DEMO-AC-36", "DEMO-AC-48")


@dataclass(frozen=True)
class People:
    """Crews, branches and technicians of one fleet, as arrays with one place for each technician.

    hired_day, left_day : days since 1970-01-01; left_day is a far day for those who stay.
    """

    technician_id: np.ndarray
    name: np.ndarray
    crew_no: np.ndarray
    branch_no: np.ndarray
    is_subcontractor: np.ndarray
    hired_day: np.ndarray
    left_day: np.ndarray
    weight: np.ndarray
    crews: list[str]
    branches: list[str]

    @property
    def count(self) -> int:
        return len(self.technician_id)


FAR_DAY = 10**6


def make_people(rng: np.random.Generator, installs: int, first_day: int, last_day: int) -> People:
    """As many technicians as the fleet needs (about 250 installs each), in crews of four and branches of about four crews."""
    count = int(np.clip(round(installs / 250), 8, 4000))
    crew_count = max(3, round(count / 4))
    branch_count = int(np.clip(round(crew_count / 3), 2, 40))
    place = np.arange(count)
    crew_no = place % crew_count
    branch_no = crew_no % branch_count
    is_subcontractor = crew_no == crew_count - 1
    span = last_day - first_day
    comes_later = rng.random(count) < 0.35
    before = first_day - 60 - rng.integers(0, 4000, count)
    hired = np.where(comes_later, first_day + (rng.random(count) * 0.75 * span).astype(np.int64), before)
    leaves = rng.random(count) < 0.25
    left = np.where(leaves, hired + 500 + (rng.random(count) * span).astype(np.int64), FAR_DAY)
    left = np.where(left >= last_day - 30, FAR_DAY, left)
    # some are there from the first day to the last: on no day is there nobody to send
    hired[: min(8, count)] = before[: min(8, count)]
    left[: min(8, count)] = FAR_DAY
    order = rng.permutation(len(COLOURS) * len(ANIMALS))
    names = [
        f"{COLOURS[order[i % 400] // 20]} {ANIMALS[order[i % 400] % 20]}" + (f" {i // 400 + 1}" if i >= 400 else "")
        for i in range(count)
    ]
    return People(
        technician_id=np.array([f"T{i + 1:03d}" for i in range(count)]),
        name=np.array(names),
        crew_no=crew_no,
        branch_no=branch_no,
        is_subcontractor=is_subcontractor,
        hired_day=hired,
        left_day=left,
        weight=np.exp(rng.normal(0, 0.3, count)),
        crews=[
            f"{CREW_WORDS[i % len(CREW_WORDS)]} crew" + (f" {i // len(CREW_WORDS) + 1}" if i >= len(CREW_WORDS) else "")
            for i in range(crew_count)
        ],
        branches=[
            BRANCH_WORDS[i % len(BRANCH_WORDS)] + (f" {i // len(BRANCH_WORDS) + 1}" if i >= len(BRANCH_WORDS) else "")
            for i in range(branch_count)
        ],
    )


def area_names(branch_count: int) -> list[str]:
    """Six postal areas for each branch, in letters and numbers that no post office uses."""
    return [f"SR-{branch + 1:02d}{area + 1}" for branch in range(branch_count) for area in range(6)]
