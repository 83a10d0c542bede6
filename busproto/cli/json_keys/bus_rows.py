"""Keys of commands that talk to a bus: look, change, move, and the virtual bus. See `busproto.cli.json_keys`."""

from typing import Final

ROWS: Final = """
# What was found on a line
port | text | | find demo serve bus-run replay | the port, as it is opened
method | text | | find | how actuators were searched for
proven | bool? | | find show claim audit APPLYING |
  the list of actuators, or behind changes their addresses, is proven; null where nothing was searched
reason | text? | | find show claim audit APPLYING trial match compare rig lesson |
  why it is so, or why not; empty or null where there is nothing to tell
reasons | texts | | apply restore replace match | why it was not done
remaining_error | number | | find | the chance that one actuator is missing, 0 to 1
actuators | list | | find show watch demo trial stats rig | one for each actuator
uid | text? | | find show address claim audit APPLYING trial match save compare demo | of an actuator, 16 hex digits
other_uid | text | | compare restore | the actuator of the second record
address | int? | |
  find show address set move hand watch claim audit APPLYING trial compare demo plan-check stats LET_GO save |
  1 to 239; null for none
clash | bool | | find | another actuator has this address too
clashes | list | | find audit apply demo | addresses that several actuators share
uids | texts | | find audit apply demo | of the actuators at one address
unaddressed | texts | | find demo | uids of those that have no address
gone | texts | | find | uids that were heard once and answer no more
twins | texts | | find | uids that several actuators seem to have
wall | object | | find demo | counts and times that differ from run to run on a real port
roll_call_count | int | | find demo | queries that were sent
pass_count | int | | find demo | passes of the search
doubt_count | int | | find | times that something came which no listed actuator accounts for
answered_within_ms | number | ms | find | the latest answer, behind its query
searching_ms | number | ms | find demo | how long the search took
proving_ms | number | ms | find demo | how long the proof took
duration_s | number | s | watch demo stats wave | how long all of it took
engaged | list | | find show audit save APPLYING | those that are not limp
state | text? | | ENGAGED LET_GO REPORT watch | as the actuator reports it
methods | list | | find | ways to search
how | text | | find lesson | how it works, or how to answer
cannot | text | | find | what the method cannot do
proves | bool | | find | the method proves its list
default | text | | find | the method that is used where none is named
# What an actuator is
model | text? | | show address claim audit apply compare restore demo plan-check | the maker's name of the model
firmware | text? | | show address demo plan-check | version, such as 2.4
rating | object | | show | what the maker states
rated_v | numbers | V | show claim audit apply | least and greatest rated supply
stall_torque_nm | number? | N m | show plan-check | greatest torque, at stall
stall_current_ma | int | mA | show | at stall
no_load_speed_deg_s | number? | deg/s | show plan-check | of the arm, without load
mechanical_travel_deg | number | deg | show | from stop to stop
stored_write_count | int | | show | how often its memory was written
settings | map | | show | parameters by name
value | any | | show decode | the setting in working memory, or what a field holds
stored_value | any | | show | the setting in stored memory
factory_value | any | | show | the setting as it left the factory
unit | text | | show set | of the parameter
not_there | texts | | show | parameters of the table that the actuator lacks
own | list | | show | parameters that only this actuator has
range | text | | show | what the parameter may be
step | text | | show | the smallest difference
not_read | list | | show | addresses that could not be read
ports | list | | ports | of this machine
device | text | | ports | name of the port
description | text | | ports | what the system says of the port
scenarios | list | | ports | shipped virtual buses
# What an actuator reports
report | object | | show | position, load and health
report_before | object | | move | the report at the beginning
report_held | object | | move | the report at the target
faults | texts | | REPORT | fault flags, in words
position_deg | number | deg | REPORT trial | where the arm stands
demand_deg | number | deg | REPORT | where the demand has the arm
current_ma | int | mA | REPORT | what the actuator draws
supply_v | number? | V | REPORT claim audit apply demo | what the actuator measures
temperature_degc | number | deg C | REPORT | what the actuator measures
demand_age_ms | int? | ms | REPORT | since the last demand; null for none
good_frame_count | int | | REPORT | frames that the actuator took
bad_frame_count | int | | REPORT stats | frames with a bad check
showing | bool | | REPORT | the actuator shows itself
asked_count | int | | watch | questions
missed_count | int | | watch | questions without an answer
lost_seen | bool | | watch | the actuator was seen without a demand
lost_before | bool | | watch | its first report said that it had lost the demand before
position_spread_deg | object? | deg | watch | of the positions; null where nothing was reported
current_spread_ma | object? | mA | watch | of the currents
supply_spread_v | object? | V | watch | of the supply
temperature_spread_degc | object? | deg C | watch | of the temperature
min | number | | watch stats | the least, in the unit of the key above
max | number | | watch stats | the greatest
mean | number | | watch stats | the mean
last | number | | watch | the last
states | list | | watch | each state and since when
at_s | number | s | watch | since watching began
others_on_the_line | bool | | watch | another host was heard
# What was set and moved
channel | int? | | address hand demo plan-check | 1 to 32; 0 or null for none
changed | list | | set | settings that were changed and read back
was | any | | set APPLYING | the setting before
is | any | | set | the setting as it was read back
becomes | any | | APPLYING | the setting that was wanted
stored | bool | | set match | it was written to stored memory, and read back
undone | text? | | set | the memory that was gone back to
target | object? | | move | where it was to go; null for limp
demand_percent | number? | % | move hand | the demand; null for limp
wanted_deg | number? | deg | move hand | where that demand has the arm
pulse_us | number? | us | move hand | the same as a pulse width
arrived | bool | | move hand | the arm was seen there
peak_current_ma | int | mA | move claim | greatest current seen of one actuator
peak_currents_ma | map | mA | hand | the same, by address
addresses | ints | | hand | that were steered
low_percent | number | % | hand | lowest demand that the end limits allow
high_percent | number | % | hand | highest demand that the end limits allow
commanded | list | | hand | each command and what came of it
command | text | | hand | what the key meant
at_end | bool | | hand | the demand is at the end of the travel
reached | list | | hand | a report of each actuator behind the command
# How it was let go
let_go | object? | | LET_GO | what was seen behind the last release; null where nothing was let go
all_seen_limp | bool | | LET_GO | every known actuator was seen limp
limp | ints | | LET_GO | addresses that were seen limp
holding | list | | LET_GO | those that are engaged or hold
not_seen | ints | | LET_GO | addresses without an answer
shared | ints | | LET_GO | addresses that several actuators share
without_address_count | int | | LET_GO | actuators that cannot be looked at, limp by the format
# Virtual bus
scenario | text | | demo bus-run | name or file of the virtual bus
seed | int | | demo bus-run lesson | the same seed gives the same bus
baud | int | bit/s | bus-run replay stats plan-check | line rate
side | text? | | bus-run | where the side channel listens
url | text | | serve ports | of the page, or of a virtual bus
listen | text | | serve | host and port of the page
ended | bool | | serve | the page has ended
signals | texts | | wave | names in the waveform
change_count | int | | wave | edges that were written
overlap_count | int | | wave | times that two drove the line at once
address_write_count | int | | demo | addresses that were written
gang_number | int | | demo plan-check | number of the gang on the line, 0 for none
supply_fits | bool | | demo | the supply is within the rating
loss_action_set | text | | demo | what the actuator is set to do without a demand
losses_after_ms | map | ms | demo | when each loss action was seen, by address
cautions | texts | | demo | what was shown before anything moved
# Errors, in the place of a result
error | object | | every | what went wrong
exit_code | int | | every | of the command
"""
