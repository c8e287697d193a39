-- judging: makes no table; the few expressions that every grade uses, as temporary macros.
-- reads   nothing
-- units   those of the figures given
-- why     An edge must be judged in one place: exactly at a limit passes, unless the limit's bound is `excl`.
--         Figures are rounded to 6 decimals first: a converted unit is not exact in binary (0.5 Torr is 500 micron).
create or replace temp macro figure(x) as round(x, 6);
create or replace temp macro is_outside(x, low, high, is_low_open, is_high_open) as
    coalesce(x < low or (is_low_open and x = low), false) or coalesce(x > high or (is_high_open and x = high), false);
-- how far outside, as a share of the limit: only to tell which of two broken limits is broken worse
create or replace temp macro excess(x, low, high) as
    greatest(coalesce((x - high) / greatest(abs(high), 1e-9), -1e9),
        coalesce((low - x) / greatest(abs(low), 1e-9), -1e9));
-- the bound that a figure breaks, or that it lies nearer to
create or replace temp macro is_high_side(x, low, high) as
    low is null or (high is not null and abs(high - x) <= abs(x - low));
create or replace temp macro bound_of(x, low, high) as if(is_high_side(x, low, high), high, low);
create or replace temp macro limit_of(x, low, high, low_no, high_no) as if(is_high_side(x, low, high), high_no, low_no);
-- standard atmosphere: 101325 Pa x (1 - 6.8755856e-6 h)^5.25588, h in ft; about 12.2 psia at 5,000 ft
create or replace temp macro atmosphere_psia_at(altitude_ft) as
    14.695948775513 * power(1 - 6.8755856e-6 * altitude_ft, 5.25588);
