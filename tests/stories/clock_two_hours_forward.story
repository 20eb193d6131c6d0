The computer's clock is set two hours forward: nobody was silent
room cellar
sensor north in cellar every 10min
contact Odile
begins 2026-12-01 08:00
---
0:00 north 48F 80%
3:00 north 33F 80%        # five minutes of frost before, ten after
3:06 clock forward 2h
4:00 north 48F 80%
6:00 end
---
  5:10 (13:10) frost 1 room cellar, high: normal > unacknowledged
  5:10 (13:10) --> Odile, announce: Act now: Frost near in the cellar
  5:40 (13:40) cold 1 room cellar, low: normal > unacknowledged
  5:40 (13:40) --> Odile, announce: Look soon: Cold in the cellar
  6:30 (14:30) frost 1 room cellar, high: unacknowledged > latched-unacknowledged
  6:30 (14:30) cold 1 room cellar, low: unacknowledged > returned-unacknowledged
  6:30 (14:30) sweating 1 room cellar, medium: normal > unacknowledged
  6:30 (14:30) --> Odile, over: Over: Frost near in the cellar
  6:30 (14:30) --> Odile, announce: Act today: Close to sweating in the cellar
