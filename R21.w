test study::homes_for_weeks_give_the_table_of_false_alarms_finds_and_ranges has been running for over 60 seconds
All: 1.48 false alarms a tank-year; 0.35 of heaters or coolers that did not cope
    HeatNotComing 0.78
    CoolingNotComing 0.09
    LosingHeat 0.17
    CoolingFast 0.17
    DeadHeater: 227 of 233 before the limit (97 %), median lead 114 min of 233 limits met
    DeadBehindSpare: 106 of 108 before the limit (98 %), median lead 205 min of 28 limits met
    ColdHeater: 237 of 241 before the limit (98 %), median lead 124 min of 241 limits met
    DeadCooler: 7 of 7 before the limit (100 %), median lead 1248 min of 7 limits met
    WeakCooler: 4 of 4 before the limit (100 %), median lead 239 min of 4 limits met
    thermostat or probe moved, 200 times: most alarms 3, over two 2, still after two days 9
Watts: 0.87 false alarms a tank-year; 0.35 of heaters or coolers that did not cope
    HeatNotComing 0.52
    CoolingNotComing 0.09
    CoolingFast 0.17
    DeadHeater: 225 of 233 before the limit (97 %), median lead 102 min of 233 limits met
    DeadBehindSpare: 105 of 108 before the limit (97 %), median lead 141 min of 28 limits met
    ColdHeater: 228 of 241 before the limit (95 %), median lead 115 min of 241 limits met
    DeadCooler: 7 of 7 before the limit (100 %), median lead 1238 min of 7 limits met
    WeakCooler: 4 of 4 before the limit (100 %), median lead 239 min of 4 limits met
    thermostat or probe moved, 200 times: most alarms 2, over two 0, still after two days 7
Water: 1.22 false alarms a tank-year; 0.09 of heaters or coolers that did not cope
    HeatNotComing 1.04
    DeadHeater: 225 of 233 before the limit (97 %), median lead 113 min of 233 limits met
    DeadBehindSpare: 108 of 108 before the limit (100 %), median lead 198 min of 28 limits met
    ColdHeater: 230 of 241 before the limit (95 %), median lead 111 min of 241 limits met
    thermostat or probe moved, 200 times: most alarms 2, over two 0, still after two days 11
test study::homes_for_weeks_give_the_table_of_false_alarms_finds_and_ranges ... ok
