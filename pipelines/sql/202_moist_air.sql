-- moist air: makes no table; states of the air and of the refrigerant at rest, as temporary macros.
-- reads   nothing
-- units   degF, psia, lb of water for each lb of dry air, Btu for each lb of dry air, ft3 for each lb of dry air
-- why     ASHRAE Handbook Fundamentals 2017, chapter 1, equations 6, 28, 30 and 35, above freezing: an air conditioner's
--         wet bulbs lie there. air.py gives the same figures from a library, and a test holds the two together.
create or replace temp macro water_psia(t) as
    exp(-1.0440397e4 / (t + 459.67) - 1.1294650e1 - 2.7022355e-2 * (t + 459.67) + 1.2890360e-5 * power(t + 459.67, 2)
        - 2.4780681e-9 * power(t + 459.67, 3) + 6.5459673 * ln(t + 459.67));
create or replace temp macro saturated_humidity(t, psia) as 0.621945 * water_psia(t) / (psia - water_psia(t));
-- a wet bulb above its dry bulb, at ice or not recorded says nothing (`greatest` passes over what is absent)
create or replace temp macro humidity(dry, wet, psia) as
    if(coalesce(wet > dry or wet < 32, true), null,
        greatest(((1093 - 0.556 * wet) * saturated_humidity(wet, psia) - 0.240 * (dry - wet)) / (1093 + 0.444 * dry - wet),
            1e-7));
create or replace temp macro enthalpy(dry, w) as 0.240 * dry + w * (1061 + 0.444 * dry);
create or replace temp macro air_volume(dry, w, psia) as 0.370486 * (dry + 459.67) * (1 + 1.607858 * w) / psia;
-- capacity against that at 67 degF wet bulb and 95 degF outdoors, by the curve `conditions` of data/fault_curves.csv
create or replace temp macro biquadratic(x, y, c) as
    c[1] + c[2] * x + c[3] * x * x + c[4] * y + c[5] * y * y + c[6] * x * y;
create or replace temp macro capacity_at(wet, outdoor, c) as
    if(wet between 55 and 75 and outdoor between 65 and 115, biquadratic(wet, outdoor, c) / biquadratic(67, 95, c), null);
-- as a sentence writes a figure
create or replace temp macro said(x, digits) as printf('%.10g', round(x, digits));
create or replace temp macro thousands(x) as format('{:,}', round(x)::bigint);
