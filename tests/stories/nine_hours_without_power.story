Nine hours without power: told when it is over, and what stood still stands
room cellar
sensor north in cellar every 10min
contact Odile
begins 2027-01-12 12:00
---
0:00 north 39F 80%
1:30 acknowledge cold
6:00 off
15:00 north 36F 80%
15:00 on
18:00 acknowledge recorder-off
18:05 reset recorder-off
20:00 end
---
  1:00 (13:00) cold 1 room cellar, low: normal > unacknowledged
  1:00 (13:00) --> Odile, announce: Look soon: Cold in the cellar
  1:30 (13:30) cold 1 room cellar, low: unacknowledged > acknowledged
 15:00 (03:00) recorder-off 1 recorder, medium: normal > unacknowledged
 15:00 (03:00) recorder-off 1 recorder, medium: unacknowledged > latched-unacknowledged
 15:00 (03:00) --> Odile, announce: Act today: The recorder was off
 18:00 (06:00) recorder-off 1 recorder, medium: latched-unacknowledged > latched-acknowledged
 18:05 (06:05) recorder-off 1 recorder, medium: latched-acknowledged > normal
 19:00 (07:00) --> Odile, summary: Invented store: 1 alert, look soon
