"""Keys of commands about plans, airframes and records. See `busproto.cli.json_keys`."""

from typing import Final

ROWS: Final = """
# An airframe and its functions
airframe | text? | | audit claim trial match rig serve | title of the plan
as_planned | bool | | audit apply trial demo | all is as the plan has it
functions | list | | audit claim plan-check | one for each function of the plan
function | text? | | audit claim APPLYING trial match save compare demo watch rig plan-check |
  name in the plan or the record; where it has none, the actuator in words, or null
function_names | texts | | plan-check rig | names of functions
status | text | | audit | as planned, differs, missing, clashing and so on
planned_address | int | | audit claim demo | address of the plan
was_address | int? | | claim APPLYING demo | the address before; null for none
differences | list | | audit replay | what is not as planned, or not as in the capture
name | text | |
  audit claim apply restore replace compare show set find plan-new stats decode handbook lesson |
  of what the entry is about: a parameter, an example, a page, a field
found | text | | audit claim apply | what is on the line
planned | text | | audit claim apply | what the plan has
can_be_applied | bool | | audit | 'busproto apply' can set it
note | text | | audit | what to do
unexpected | list | | audit apply | actuators of which the plan does not know
unmatched | map | | audit apply trial | why a gang is not matched, by gang
harmed | list | | audit claim apply | actuators that the pack or the supply harms
pack_v | number? | V | audit claim apply | the full pack, where it is too high
missing | texts | | apply trial save | functions whose actuator is not on the line, or was left out
gang | text? | | match plan-check | name of the gang
place | int | | demo plan-check | within the gang, from 0
# Claims and directions
open | texts | | claim | functions that are not claimed
on_line | bool? | | claim | the actuator answers; null where nothing was looked at
unclaimed | list | | claim | actuators without a function
silent | texts | | claim | uids that answered no more at the end
scratch | list | | claim | addresses that were lent
unwatched | texts | | claim | uids without an address of their own
advice | texts | | claim | what to look at
stopped | bool | | claim | it was ended by a key
unfit | list | | claim | what is not the hardware of the plan
in_force | bool | | claim | these claims are in force
kept | text? | | claim save replace | file in which what stood there before is kept
swing_deg | number | deg | claim | how far the arm swung, from end to end
moved | bool | | claim | the actuator was seen to move
directions | list | | claim | which way each surface went
direction_test | object? | | trial | which way the surface went; null where it was not tried
positive | text | | claim trial | where a positive demand is to take the surface
direction | text | | claim trial | planned direction: normal or reversed
way | text | | claim trial | as planned, the other way, or not known
turned_deg | number? | deg | claim trial | how far the arm turned
seen_by | text | | claim trial | by whom it was seen
date | text | | claim trial match compare | when, ISO 8601
# What was applied
changes | list | | APPLYING | what was to be done, in order
kind | text? | | APPLYING plan-check decode handbook every | which kind of entry it is; the command's help lists them
settings_to_change | list | | APPLYING | of one actuator
known | bool | | APPLYING | the settings could be read beforehand
step_count | int | | APPLYING | steps that were done, each read back
went_on_after | text? | | APPLYING | where an earlier run was interrupted
not_set | list | | APPLYING | actuators that got an address but no settings
wrong_hardware | list | | apply | functions whose actuator is not the hardware of the plan
by_address | texts | | apply | functions of which the actuator is known by its address alone
left | list | | apply | what is still not as planned
# Match and trial
lead | text | | match | function whose actuator leads
lead_uid | text | | match | its uid
table_state | text | | match | the tables as read back: stored, as before or not known
not_read_back | map | | match | why a table is not known, by function
figures_before | object? | | match | of the gang, before
figures_after | object? | | match | of the gang, afterwards
greatest_deg | number | deg | match | greatest mismatch
idle_current_ma | number | mA | match | all members together, at rest: mean
peak_idle_current_ma | number | mA | match | the same: greatest
fight_torque_nm | number | N m | match | estimate from the current
members | list | | match | the gang but its lead
table_deg | numbers | deg | match | the correction table
noise_deg | number | deg | match | of the readings
greatest_before_deg | number | deg | match | greatest mismatch of one member
greatest_after_deg | number | deg | match | the same, afterwards
rms_before_deg | number | deg | match | root mean square of the mismatch
rms_after_deg | number | deg | match | the same, afterwards
earlier | object | | match | the last result that was stored
format | int | | trial | of the file
parts | texts | | trial | that were tried
limp_at_start | bool? | | trial | the actuator was limp before anything began
soft_start_ms | int? | ms | trial | how long its soft start took
centred | bool? | | trial demo | the arm stood where demand 0 has it
centred_at_deg | number? | deg | trial demo | where the arm stood
throws | map | | trial | to both sides
planned_deg | number | deg | trial | where the plan has the arm
loss_action_seen | text? | | trial demo | what the actuator did without a demand
loss_after_ms | ints? | ms | trial | between which two looks that began
problems | texts | | trial plan-check rig | what is wrong, in words
problems_by_part | map | | trial | the same, by part of the trial
# Records and cards
file | text? | | save replace card wave plan-check | that was written or read; null where nothing was written
files | texts | | plan-new spec | that were written, or would be
title | text | | save compare card plan-new plan-check ports decode handbook lesson | what it is called
fingerprint | text | | save compare restore replace card | of addresses and settings, 64 hex digits
actuator_count | int | | save card plan-check | how many
not_stored | list | | save compare | settings that differ in working memory
setting_names | texts | | save compare | names of settings
flaws | texts | | save | what the record lacks
restored | bool | | restore | the bus is as recorded, and proven
absent | list | | restore | actuators of the record that are not on the line
alike | bool | | compare restore replay | nothing differs
first_record | object | | compare | what it is
second_record | object | | compare | what it is
only_first | list | | compare restore | actuators that are in the first only
only_second | list | | compare restore | actuators that are in the second only
exchanged | list | | compare restore | actuators that stand in the place of others
different | list | | compare restore | what differs
first | any | | compare restore | as the first has it
second | any | | compare restore | as the second has it
not_read_first | list | | compare restore | actuators that were not read in the first
not_read_second | list | | compare restore | actuators that were not read in the second
old_uid | text | | replace | the actuator that is lost
new_uid | text | | replace | the actuator in its place
match_anew | bool | | replace | match its gang before use
passed_count | int | | card | actuators that passed
failed_count | int | | card | actuators that failed
not_tested_count | int | | card | actuators without a test
warnings | texts | | card | what stands on it first
"""
