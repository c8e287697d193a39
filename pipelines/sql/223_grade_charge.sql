-- grade_charge: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, grade_charge_check, grade_reason, staged_reading, staged_step, rejected_reading,
--         open_dispute
-- units   lb; the deviation in % of what the charge should be
-- why     The weight is held against factory charge and line-set adder. A blank adder is not zero, except on a packaged
--         unit, which has no line set; where it is blank and the maker says what each foot takes, it is worked out from the
--         length that his factory charge does not cover. A weight off its limit that the charge check passed afterwards was corrected.
create or replace temp table grade_charge as
with reading as (
    select job_id,
        arg_max(value, reading_order) filter (where quantity = 'charge_weight') as read_weight_lb,
        arg_max(value, reading_order) filter (where quantity = 'factory_charge') as factory_lb,
        arg_max(value, reading_order) filter (where quantity = 'line_set_adder') as adder_lb
    from staged_reading where step = 'charge'
    group by job_id
),
unreadable as (
    select job_id, bool_or(quantity = 'charge_weight') as is_measured from rejected_reading
    where step = 'charge' and quantity in ('charge_weight', 'factory_charge', 'line_set_adder')
    group by job_id
),
disputed as (select distinct job_id from open_dispute where step = 'charge'),
found as (
    select job.job_no, job.has_open_circuit, job.circuit_note, disputed.job_id is not null as is_disputed,
        unreadable.job_id is not null as is_unreadable,
        coalesce(unreadable.is_measured, false) as is_measure_unreadable,
        step.ticked::varchar as ticked, step.technician_id,
        figure(read_weight_lb) as weight_lb, adder_lb is null and job.equipment = 'packaged' as needs_no_adder,
        if(adder_lb is null and not coalesce(needs_no_adder, false),
            line_set_adder_per_ft * (job.line_set_ft - line_set_included_ft), null) as worked_out_adder_lb,
        coalesce(lim.factory_charge, reading.factory_lb)
            + coalesce(adder_lb, if(needs_no_adder, 0, null), worked_out_adder_lb) as due_lb,
        figure(if(due_lb > 0, 100 * (weight_lb / due_lb - 1), null)) as deviation,
        charge_deviation_low as low, charge_deviation_high as high,
        charge_deviation_low_no as low_no, charge_deviation_high_no as high_no,
        is_outside(deviation, low, high, charge_deviation_low_open, charge_deviation_high_open) as is_charge_outside,
        check_reason.state = 'passed' as is_check_passed, checked.reason as check_reason
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'charge'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
    left join grade_charge_check as checked on checked.job_no = job.job_no
    left join grade_reason as check_reason on check_reason.reason = checked.reason
),
judged as (
    select *,
        case
            when not has_open_circuit                       then 'factory_circuit'
            when is_disputed                                then 'disputed'
            when is_charge_outside and is_check_passed
                then if(check_reason = 'superheat_inside', 'charge_corrected_superheat', 'charge_corrected')
            when is_charge_outside                          then 'charge_outside'
            when deviation is not null                      then 'charge_inside'
            when is_measure_unreadable or (weight_lb is not null and is_unreadable) then 'unreadable'
            when weight_lb is not null                      then 'charge_nothing_to_hold_against'
            when ticked = 'done'                            then 'ticked_only'
            when ticked = 'not_done'                        then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('charge_inside', 'charge_outside', 'charge_corrected', 'charge_corrected_superheat') as is_judged,
        is_judged or reason = 'charge_nothing_to_hold_against' as is_measured
    from found
)
select job_no, technician_id, reason,
    if(is_judged, deviation, null) as measured,
    if(is_judged, bound_of(deviation, low, high), null) as limit_value,
    if(is_judged, limit_of(deviation, low, high, low_no, high_no), null) as limit_no,
    if(is_measured, weight_lb, null) as figure_a,
    if(is_judged, due_lb, null) as figure_b,
    circuit_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_judged and needs_no_adder, 131072, 0)
        + if(is_judged and worked_out_adder_lb is not null, 33554432, 0) as notes
from judged;
