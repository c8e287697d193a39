"""Jobs and systems as plain arrays, before they become tables: codes are small whole numbers into the lists here."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

EQUIPMENT = ("split_ac", "split_heat_pump", "ductless", "packaged")
REFRIGERANTS = ("R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a")
METERING = ("txv", "eev", "fixed_orifice")
AIR_HANDLERS = ("gas_furnace", "fan_coil")
KINDS = ("new_install", "changeout", "compressor_changeout", "coil_changeout", "circuit_repair")
NEW_INSTALL, CHANGEOUT, COMPRESSOR_CHANGEOUT, COIL_CHANGEOUT, CIRCUIT_REPAIR = range(5)
JOINTS = ("brazed", "pressed", "flared", "none")
BRAZED, PRESSED, FLARED, NO_JOINTS = range(4)
INSTALLED_BY = ("own_crew", "subcontractor", "someone_else")
OWN_CREW, SUBCONTRACTOR, SOMEONE_ELSE = range(3)
FORMS = ("", "paper sheet 1", "phone form 1", "phone form 2", "office entry 1")
NO_FORM, PAPER, PHONE_1, PHONE_2, OFFICE = range(5)


@dataclass
class Systems:
    """One place for each system."""

    equipment: np.ndarray
    refrigerant: np.ndarray
    tons: np.ndarray
    metering: np.ndarray
    air_handler: np.ndarray  # place in AIR_HANDLERS
    is_ducted: np.ndarray
    has_model: np.ndarray
    branch_no: np.ndarray
    area_no: np.ndarray
    altitude_ft: np.ndarray

    @property
    def count(self) -> int:
        return len(self.equipment)


@dataclass
class Jobs:
    """One place for each job. doer, good, written, state and p_good are job x step."""

    system: np.ndarray
    day: np.ndarray
    lead: np.ndarray
    helper: np.ndarray  # -1: nobody
    kind: np.ndarray
    joints: np.ndarray
    brazed_joints: np.ndarray
    line_set_ft: np.ndarray
    line_set_reused: np.ndarray
    ducts_kept: np.ndarray
    installed_by: np.ndarray
    form: np.ndarray
    hurried: np.ndarray
    has_gauge: np.ndarray
    outdoor_degf: np.ndarray
    doer: np.ndarray
    p_good: np.ndarray
    good: np.ndarray
    written: np.ndarray
    state: np.ndarray

    @property
    def count(self) -> int:
        return len(self.system)

    def take(self, places: np.ndarray) -> Jobs:
        return Jobs(**{one.name: getattr(self, one.name)[places] for one in fields(self)})

    @staticmethod
    def together(parts: list[Jobs]) -> Jobs:
        return Jobs(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Jobs)})
