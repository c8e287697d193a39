"""What R makes of real data, worked out once for all tests of a run."""

import os
import shutil
import subprocess
from pathlib import Path

import filelock
import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).with_name("reference_fits.R")
NO_SURVIVAL = 77  # how the script says that the package is not installed


class Reference:
    """R's figures by name, and the data sets they were made from as R ships them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.figures = pd.read_csv(folder / "figures.csv").sort_values(["figure", "place"])

    def __getitem__(self, figure: str) -> np.ndarray:
        values = self.figures.loc[self.figures["figure"] == figure, "value"].to_numpy(float)
        if not len(values):
            raise KeyError(figure)
        return values

    def data(self, name: str) -> pd.DataFrame:
        return pd.read_csv(self.folder / f"{name}.csv")


@pytest.fixture(scope="session")
def r(tmp_path_factory):
    """R's `survival`, `glm` and `stats`; without R or the package the tests that ask for it are left out, saying so."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed (Debian: r-cran-survival): its figures cannot be compared")
    # workers of one run share the folder, and the first one fills it
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "reference_fits"
    with filelock.FileLock(f"{folder}.lock"):
        if not (folder / "figures.csv").exists():
            folder.mkdir(exist_ok=True)
            run = subprocess.run(
                ["Rscript", "--vanilla", str(SCRIPT), str(folder)], capture_output=True, text=True, check=False
            )
            if run.returncode == NO_SURVIVAL:
                pytest.skip("R's package survival is not installed (Debian: r-cran-survival)")
            assert run.returncode == 0, run.stderr
    return Reference(folder)
