-- step_grade: one row for each job of ours and step.
-- reads   graded_step, graded_job, grade_step_name, grade_reason, grade_note, log_note, limit_used
-- units   measured and limit_value in the unit of the limit that decided
-- why     The sentence is put together where somebody reads it: reason, figures, then the notes that belong beside it.
create or replace view step_grade as
select job.job_id, job.system_id, coalesce(graded.step_technician_id, job.lead_id) as technician_id,
    if(graded.step_technician_id is not null, 'step', 'lead') as credited_by,
    step_name.step, reason.state, used.limit_id, graded.measured, graded.limit_value, used.unit,
    replace(replace(replace(replace(replace(reason.sentence,
        '{measured}', coalesce(printf('%.10g', round(graded.measured, 2)), '')),
        '{limit}', coalesce(printf('%.10g', round(graded.limit_value, 2)), '')),
        '{a}', coalesce(printf('%.10g', round(graded.figure_a, 2)), '')),
        '{b}', coalesce(printf('%.10g', round(graded.figure_b, 2)), '')),
        '{unit}', coalesce(used.unit, '')) || coalesce(note.sentence, '') || coalesce(said.sentence, '') as why,
    reason.reason
from graded_step as graded
join graded_job as job on job.job_no = graded.job_no
join grade_step_name as step_name on step_name.step_no = graded.step_no
join grade_reason as reason on reason.reason_no = graded.reason_no
left join limit_used as used on used.limit_no = graded.limit_no
left join grade_note as note on note.notes = graded.notes
left join log_note as said on said.job_no = graded.job_no and said.step_no = graded.step_no;
