"""Keys of commands that only read and write files. See `busproto.cli.json_keys`."""

from typing import Final

ROWS: Final = """
# Plan files
next | text | | plan-new | the command to go on with
examples | list | | plan-new | that are shipped
checked | list | | plan-check | one for each file
error_count | int | | plan-check | in all files
advice_count | int | | plan-check | in all files
usable | bool | | plan-check | the file can be used
fleet_map | text | | plan-check | title of the fleet map
sweep | object | | plan-check | where the arm goes
low_deg | number | deg | plan-check | lower end
high_deg | number | deg | plan-check | upper end
lost_at_minus_deg | number | deg | plan-check | cut off at demand -100 %
lost_at_plus_deg | number | deg | plan-check | cut off at demand +100 %
symmetric_deg | number | deg | plan-check | left to both sides
lost_share | number | | plan-check | of the travel, 0 to 1
step_deg | number | deg | plan-check rig | one step of the demand
gangs | list | | plan-check | actuators that move one surface together
bus | object | | plan-check | load of the line
demands_per_second | number | 1/s | plan-check | cycles
channel_count | int | | plan-check | channels in use
cycle_ms | number | ms | plan-check | one cycle
busy_ms | numbers | ms | plan-check | of a cycle, least and most
load_percent | number | % | plan-check stats | of the time in which the line is busy
fitting_count | int | | plan-check | most channels, or actuators that report, that fit into a cycle
latency_ms | numbers | ms | plan-check | from a demand to the line, least and most
ask_each_ms | number | ms | plan-check | to ask each actuator once
line_load | object? | | plan-check | what hangs on the line; null where it is not stated
unit_loads | number | | plan-check | of standard inputs
pair_ohm | number | ohm | plan-check | across the pair
driver_ohm | number | ohm | plan-check | before a driver
idle_v | number | V | plan-check | between the wires of the idle line
models | list | | plan-check | of the fleet map
stall_torque_written | any | | plan-check | as the file has it
no_load_speed_written | any | | plan-check | as the file has it
findings | list | | plan-check | what does not fit
severity | text | | plan-check | error or advice
line | int? | | plan-check | of the file
key | text | | plan-check | of the file
text | text | | plan-check decode replay handbook lesson every | in words
# Rig: one actuator in mA, totals of a supply in A, as packs and leads are rated
density_kg_m3 | number | kg/m^3 | rig | of the air
pressure_pa | number | Pa | rig | dynamic pressure at the fastest flight
surfaces | list | | rig | one for each surface
surface | text | | rig | its name
throw_wanted_deg | numbers | deg | rig | to both sides
throw_reached_deg | numbers | deg | rig | to both sides
room_deg | object | deg | rig | left to the stops of the surface
plus | number | | rig | to the positive side, in the unit of the key above
minus | number | | rig | to the negative side
hinge_nm | number | N m | rig | greatest moment of the whole surface
each_needed_nm | number | N m | rig | of each actuator
each_current_ma | int? | mA | rig | of each actuator, at the fastest flight
each_margin | number? | | rig | torque that is there by torque that is needed
each_margin_empty | number? | | rig | the same with the empty pack
each_lead_ohm | number? | ohm | rig | of the lead
each_fight_nm | number? | N m | rig | at the hinge, of a gang that is not matched
each_torque_nm | number? | N m | rig | greatest torque of each actuator
limit_m_s | number | m/s | rig | airspeed at which the margin is used up
step_coarsest_deg | number | deg | rig | greatest step of the surface
band_deg | number? | deg | rig | dead band at the surface, near neutral
band_coarsest_deg | number | deg | rig | greatest dead band
transmission_deg | number | deg | rig | angle between rod and horn at neutral
transmission_least_deg | number? | deg | rig | the least over the travel
rod_tilt_deg | numbers | deg | rig | of the rod
motion | object | | rig | how fast it goes
slew_s | number? | s | rig | with the slew limit
drive_s | number? | s | rig | as the drive can
rest_to_rest_s | number? | s | rig | from end to end
onset_hz | number? | Hz | rig | where the drive cannot follow any more
stick_gain | number? | | rig | of the surface against the stick
stick_phase_deg | number? | deg | rig | of the surface behind the stick
holds_share | number | | rig | of the moment that the stopped drive holds, 0 to 1
held_hz | numbers? | Hz | rig | natural frequency, held
when_limp | object | | rig | what the surface does without its drive
floats_deg | number? | deg | rig | where it floats
has_weight | bool | | rig | its mass is stated
swings_hz | number? | Hz | rig | natural frequency, limp
next_share | number? | | rig | what is left of a swing at the next, 0 to 1
balance_kg | number? | kg | rig | mass that would balance it
unbalance_nm | number | N m | rig | by its weight
notes | texts | | rig | what was taken for granted
choice | object | | rig | which arm to take
tried | list | | rig | each hole that was tried
recommended | object? | | rig | of those; null for none
any_arm | object? | | rig | the best of any length
arm_mm | number | mm | rig | from shaft to rod
horn_mm | number | mm | rig | from hinge to rod
travel_deg | number? | deg | rig | to set
power | object? | | rig | the supply; null where it is not stated
rest | object | | rig | of the pack without load
nominal_v | number? | V | rig | nominal
full_v | number? | V | rig | with the full pack
empty_v | number? | V | rig | with the empty pack
brown_out_v | number? | V | rig | least supply of the actuator
in_flight_v | number? | V | rig | at the actuator, in flight
has_lead | bool | | rig | its lead is stated
not_calculated | list | | rig | functions for which something is not stated
full | object? | | rig | all at stall, the full pack
empty | object? | | rig | all at stall, the empty pack
bus_v | number | V | rig | behind the pack's lead
total_current_a | number | A | rig | of all actuators
least_spare_v | number? | V | rig | above the brown-out of the worst actuator
in_flight_current_a | number | A | rig | of all actuators
hold_up_s | map | s | rig | how long a capacitor holds, by its case
disclaimer | text | | rig | what the figures are not
# Captures
number | int | | decode replay stats show | of the packet, the operation or the parameter
time_ns | int | ns | decode | since 1970, or of virtual time
origin | text | | decode | sent, heard or echo
bytes | text | | decode | of the packet, hexadecimal
problem | text? | | decode | why it is no good frame
detail | text? | | decode | more of that
comment | text? | | decode | that stands in the capture
request | int? | | decode | number of the packet that it answers or echoes
reply_us | number? | us | decode | from request to reply
retry | bool | | decode | it repeats a request without an answer
destination | int | | decode | address
source | int | | decode | address
sequence | int | | decode | of the frame
operation | int | | decode | its number
tag | int? | | decode | of the frame
fields | map | | decode | by name, raw
cells | list | | decode | each piece of the packet
offset_bytes | int? | byte | decode | place in the packet
size_bytes | int | byte | decode | length in the packet
packet_count | int | | stats | all
frame_count | int | | stats | good frames
run_count | int | | stats | runs of bytes in no frame
single_byte_count | int | | stats | bytes alone
echo_count | int | | stats | not counted elsewhere
sent_percent | number | % | stats | of the time in which the host sent
heard_percent | number | % | stats | of the time in which others sent
total | object | | stats | of all
operations | list | | stats | by number
request_count | int | | stats replay | requests
reply_count | int | | stats replay | replies
unanswered_count | int | | stats | requests without a reply
retry_count | int | | stats | requests that were repeated
refused_count | int | | stats | replies that said no
clash_count | int | | stats | further replies to one request
bad_count | int | | stats | bad frames and runs behind a request
reply_spread_us | object? | us | stats | reply times; null where nothing was timed
asked | text | | replay | what was asked
# Handbook and lessons
topics | list | | handbook | every page
summary | text | | handbook | in a line
lessons | list | | lesson | every lesson
scenes | document | | lesson | what is drawn; not stable
question | object | | lesson | at the end
verdict | object | | lesson | of the answer
right | bool | | lesson | the answer is right
given | text | | lesson | the answer
truth | text | | lesson | what the virtual bus did
"""
