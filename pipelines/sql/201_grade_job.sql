-- grade_job: one row for each job of ours, in the order in which the jobs are held.
-- reads   staged_job, staged_system, staged_site, staged_equipment_limit
-- units   psia (the local atmosphere), ton (12,000 Btu/h)
-- why     What decides whether a step belongs, and which limits hold, is looked up once. A system that somebody else
--         put in has no job of ours and no grades. Where a field that decides is empty, the step belongs and the bit
--         of data/notes.csv says which field it was. kind_no packs what a limit can ask about the job into one number.
create or replace temp table grade_job as
with model_with_limits as (
    select model, row_number() over (order by model) as model_no
    from (select distinct model from staged_equipment_limit where model is not null)
),
job as (
    select job.job_id, job.system_id, job.technician_id as lead_id, job.job_kind::varchar as job_kind,
        job.joints::varchar as joints, job.ducts_kept, job.line_set_ft,
        system.equipment::varchar as equipment, system.refrigerant::varchar as refrigerant,
        system.metering::varchar as metering, system.air_handler::varchar as air_handler,
        coalesce(system.ducted, system.equipment::varchar is distinct from 'ductless') as is_ducted,
        system.ducted is null and system.equipment is null as is_ducted_unknown,
        system.nominal_tons, model.model_no, model.model,
        atmosphere_psia_at(coalesce(site.altitude_ft, $altitude_ft)) as atmosphere_psia,
        job.rowid as place
    from staged_job as job
    left join staged_system as system on system.system_id = job.system_id
    left join staged_site as site on site.site_id = system.site_id
    left join model_with_limits as model on model.model = system.model
    where job.installed_by::varchar is distinct from 'someone_else'
)
select row_number() over () as job_no, job_id, system_id, lead_id, job_kind, equipment, refrigerant, metering,
    air_handler, ducts_kept, line_set_ft, nominal_tons, model, atmosphere_psia,
    coalesce(joints = 'brazed', true) as has_brazed_joints,
    if(joints is null, 1, 0) as joints_note,
    -- a packaged unit's circuit is closed at the factory, until a later job opens it
    not coalesce(equipment = 'packaged' and job_kind in ('new_install', 'changeout'), false) as has_open_circuit,
    case
        when coalesce(job_kind in ('compressor_changeout', 'coil_changeout', 'circuit_repair'), false) then 0
        else if(equipment is null, 2, 0) + if(job_kind is null and coalesce(equipment = 'packaged', true), 4, 0)
    end as circuit_note,
    is_ducted,
    coalesce(job_kind in ('compressor_changeout', 'coil_changeout', 'circuit_repair'), false) as leaves_airflow,
    if(is_ducted_unknown, 2, 0) + if(job_kind is null, 4, 0) as airflow_note,
    if(equipment is null, 2, 0) as check_note,
    (((((coalesce(model_no, 0)
        * 8 + coalesce(list_position($equipment, equipment), 0))
        * 8 + coalesce(list_position($refrigerant, refrigerant), 0))
        * 4 + coalesce(list_position($metering, metering), 0))
        * 4 + coalesce(list_position($air_handler, air_handler), 0))
        * 4 + coalesce(list_position($ducts_kept, ducts_kept::varchar), 0))
        * 8 + coalesce(list_position($job_kind, job_kind), 0) as kind_no
from (select * from job order by place);
