-- late_calibration: one row for each reading taken with an instrument whose calibration had run out that day.
-- reads   staged_reading, staged_job, staged_instrument
-- units   days
-- why     Such a reading still counts: most gauges read right a month after the date. But whoever rests a verdict on it
--         must see it. Without a time of its own a reading was taken when the job was finished.
create or replace table late_calibration as
select reading.job_id, reading.step::varchar as step, reading.quantity::varchar as quantity, reading.reading_no,
    reading.instrument_id, instrument.due_on,
    coalesce(reading.taken_at::date, job.finished_on) as taken_on,
    datediff('day', instrument.due_on, coalesce(reading.taken_at::date, job.finished_on)) as days_late
from staged_instrument as instrument
join staged_reading as reading on reading.instrument_id = instrument.instrument_id
join staged_job as job on job.job_id = reading.job_id
where coalesce(reading.taken_at::date, job.finished_on) > instrument.due_on
    -- read off a plate or a sheet, whatever lay beside it
    and reading.quantity::varchar not in ('rated_load_current', 'rated_voltage', 'factory_charge', 'line_set_adder',
        'design_pressure_low', 'design_pressure_high', 'maximum_static', 'target_subcooling', 'target_superheat')
    -- calibrated again since, before it was used: only the newest date is known of an instrument
    and not coalesce(instrument.calibrated_on between instrument.due_on
        and coalesce(reading.taken_at::date, job.finished_on), false)
order by reading.job_id, step, quantity, reading.reading_no;
