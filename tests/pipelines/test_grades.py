"""pipelines/grades.py and sql/2xx: a state for each step of each job, by the rules of the limits."""

from pathlib import Path

from pipelines.contract import STATES, STEPS
from pipelines.grades import grade
from pipelines.house_rules import HouseRules
from tests.pipelines.grading_rows import sample_folder

SAMPLES = Path(__file__).parents[1] / "samples"


def test_sixty_two_small_jobs_one_for_each_rule_get_the_states_that_the_rules_say():
    con, expected = sample_folder(SAMPLES / "rules")
    grade(con, HouseRules())
    rows = con.execute("select job_id, step, state from step_grade").fetchall()
    found = {(job_id, step): state for job_id, step, state in rows}
    assert {key: found[key] for key in expected} == expected
    assert len(rows) == len(found) == 62 * len(STEPS)
    assert set(found.values()) <= set(STATES)
    # nothing else was recorded for these jobs, so nothing else may be judged
    rest = {state for key, state in found.items() if key not in expected}
    assert rest <= {"no_record", "not_applicable"}
