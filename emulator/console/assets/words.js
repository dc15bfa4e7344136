// The state of the bench in words: a short one that is read from afar, and what it means for who stands there.

const JOINED = (list) => list.join(", ");

export function stateWords(now, played) {
  const {trip, missing} = now;
  if (now.supervisor === "gone") {
    return ["lost", "NO SUPERVISOR", "The program that runs this bench is gone. The loop takes the signals to rest by itself; look at the bench, not at this page."];
  }
  if (now.supervisor === "left") return ["standby", "SERVICE ENDED", now.result ? `${now.result.result.toUpperCase()}: ${now.result.reason}` : "The run was ended at the bench's terminal."];
  if (now.loop.still_s > 0) {
    return ["lost", "LOOP STANDS STILL", `Nothing has gone out for ${now.loop.still_s} s: the robot hears silence.`];
  }
  if (now.state === "tripped" && trip && !(now.acknowledged && now.result)) {
    const seen = now.acknowledged ? " Acknowledged." : "";
    return ["tripped", "TRIPPED", `${trip.text}. ${trip.what_to_do ? `What to do: ${trip.what_to_do}.` : ""}${seen}`];
  }
  if (now.result) return ["standby", "RIDE OVER", `${now.result.result.toUpperCase()}: ${now.result.reason}`];
  if (played && now.loop.state === "ended") return ["standby", "RECORD OVER", "The record ends here. What the ride came to stands under Runs."];
  if (now.loop.state === "ended" || now.loop.state === "failed") return ["standby", "AT REST", "The ride is over and being judged."];
  if (now.loop.state === "absent" || now.loop.state === "building") return ["standby", "GETTING READY", "The bench's processes start; nothing is sent yet."];
  if (now.state === "standby" && !now.armed) {
    const how = now.button_awaited ? "the button at the bench, let go of and then pressed" : "Enter at the bench's own terminal";
    return ["standby", "STANDBY", `Waits for the local enable: ${how}. No page can give it.`];
  }
  if (now.state === "standby") return ["standby", "STANDBY", missing.length ? `Still missing: ${JOINED(missing)}.` : "Everything asked for is given."];
  if (now.state === "armed") {
    return ["armed", "ARMED", missing.length ? `Missing: ${JOINED(missing)}.` : "The robot may move. The ride starts by itself, or when the hold is let go."];
  }
  if (now.state === "stopping") return ["stopping", "STOPPING", "The emulated signals go to rest."];
  if (now.fallen) return ["running", "FALLEN", "The emulated bike is down; the ride ends."];
  if (now.state === "running") {
    if (played) return ["running", "SHOWN AGAIN", "A ride of before, as it was recorded and as fast as it was ridden."];
    return ["running", "RIDING", now.support ? "The support holds the bike until it is fast enough." : "The robot rides; the signals are those of a moving bike."];
  }
  return ["standby", now.state.toUpperCase(), ""];
}

export function nextWords(places, station, finish) {
  if (station === null) return "";
  const inside = places.find((p) => p.to > p.at && station >= p.at && station <= p.to);
  const next = places.find((p) => p.at > station);
  const now = inside ? `In: ${inside.name}. ` : "";
  if (next) return `${now}Next: ${next.name} in ${(next.at - station).toFixed(0)} m`;
  return `${now}${finish > station ? `Finish in ${(finish - station).toFixed(0)} m` : ""}`;
}

export function operatorWords(operator, mine) {
  if (mine) return "This page operates the bench.";
  if (!operator.opened) return "Nobody operates this bench from a page; its terminal does.";
  if (!operator.there) return "No page operates this bench.";
  return operator.silent_s > 0 ? `The operator's page has been silent for ${operator.silent_s} s.` : "Another page operates this bench.";
}

export function healthWords(now) {
  const loop = now.loop, parts = [`wake-up late by ${loop.late_p99_us} µs (p99), ${loop.late_max_us} µs at most`, `recorder ${now.recorder}`];
  for (const [key, words] of [["overruns", "overruns"], ["send_lost", "frames not sent"], ["receive_lost", "frames not received"], ["bus_errors", "bus errors"]]) {
    if (loop[key]) parts.push(`${loop[key]} ${words}`);
  }
  if (now.lost) parts.push(`${now.lost} records this page's service came too late for`);
  return parts.join(" · ");
}
