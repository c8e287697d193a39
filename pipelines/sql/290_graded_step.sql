-- graded_step: one row for each job of ours and step: the figures and small codes of its grade.
-- reads   grade_job and the nine grade_... tables of the steps
-- units   measured and limit_value in the unit of the limit that decided; figure_a, figure_b in that of their sentence
-- why     A fleet is written fast and copied small without its sentences; step_grade puts those together when read.
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
select job.job_id, job.system_id, coalesce(one_step.technician_id, job.lead_id) as technician_id,
    one_step.technician_id is not null as is_credited_by_step, step_no, reason, measured, limit_value, limit_no,
    figure_a, figure_b, notes
from one_step join grade_job as job using (job_no);
