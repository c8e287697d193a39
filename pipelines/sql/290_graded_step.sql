-- graded_step: one row for each job of ours and step: the figures and small codes of its grade; graded_job: its jobs.
-- reads   grade_job, grade_reason and the nine grade_... tables of the steps
-- units   measured and limit_value in the unit of the limit that decided; figure_a, figure_b in that of their sentence
-- why     A fleet is written fast and copied small without its sentences and with one number for each job: a quarter of
--         the time and a fifth of the space of the same rows in words. step_grade puts the words together when read.
create or replace table graded_job as
select job_no, job_id, system_id, lead_id from grade_job;
create or replace table graded_step as
with one_step as (
    select 1::utinyint as step_no, * from grade_nitrogen_flow
    union all select 2, * from grade_pressure_test
    union all select 3, * from grade_nitrogen_release
    union all select 4, * from grade_evacuation
    union all select 5, * from grade_vacuum_rise
    union all select 6, * from grade_charge
    union all select 7, * from grade_airflow
    union all select 8, * from grade_charge_check
    union all select 9, * from grade_electrical
)
select one_step.job_no, one_step.step_no, reason.reason_no, one_step.measured, one_step.limit_value, one_step.limit_no,
    one_step.figure_a, one_step.figure_b, one_step.notes, one_step.technician_id as step_technician_id
from one_step left join grade_reason as reason on reason.reason = one_step.reason;
