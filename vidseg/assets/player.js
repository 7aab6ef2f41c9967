"use strict";
/* The player: a video element driven by frame numbers, so that a jump lands on a known frame.

   makePlayer(video, parts) with parts = [{ start, frames }] for each file of the recording, in
   order: where it lies on the case clock (ns), and its frames, either { count, rate: [frames,
   seconds] } or { runs: [[how many, microseconds], …] }; or a Float64Array of the start of every
   frame of the case (ns). The video runs on the case clock too.
   Frame numbers run through the whole case, from 0. */

function frameTimes(parts) {
  const times = [];
  for (const { start, frames } of parts) {
    if (frames.rate) {
      const [count, seconds] = frames.rate;
      for (let i = 0; i < frames.count; i += 1) times.push(start + (i * seconds * 1e9) / count);
    } else {
      let at = start;
      times.push(at);
      for (const [count, microseconds] of frames.runs) {
        for (let i = 0; i < count; i += 1) times.push((at += microseconds * 1000));
      }
    }
  }
  return Float64Array.from(times);
}

/* Index of the last value that is not above x; 0 where all are above. */
function lastUpTo(values, x) {
  let low = 0, high = values.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (values[middle] <= x) low = middle;
    else high = middle - 1;
  }
  return low;
}

function makePlayer(video, parts) {
  const times = parts instanceof Float64Array ? parts : frameTimes(parts);
  const count = times.length;
  /* Containers round times to 1 ms or finer: aim a little past the frame's start, and read a
     time a little generously, so that the frame meant is the frame shown. */
  const NUDGE_NS = 2e6;
  const SLACK_NS = 1.1e6;
  /* Where frames last unequally long, a browser may show the frame before the one aimed at: it
     goes by the length that the file declares. So look at what came, and aim again. */
  const MOST_TRIES = 8;
  const CONFIRM_MS = 120;
  const reports = "requestVideoFrameCallback" in video;
  const listeners = [];
  let wanted = null, aim = 0, tries = 0, arrived = false, waiting = 0, reported = 0;

  const frameLength = (f) => (f + 1 < count ? times[f + 1] - times[f] : 20e6);
  const within = (frame) => Math.min(count - 1, Math.max(0, frame));
  const frameByTime = () => lastUpTo(times, video.currentTime * 1e9 + SLACK_NS);

  const player = {
    count,
    available: true,
    frame: () => wanted ?? (reports && !document.hidden ? reported : frameByTime()),
    timeOf: (frame) => times[within(frame)],
    frameAt: (ns) => lastUpTo(times, ns),
    /* Case time in ns: of the frame shown, or beyond it where the picture stands still. */
    now() {
      const frame = player.frame(), start = times[frame];
      const past = video.currentTime * 1e9 - start;
      return wanted === null && past > 1e9 ? start + past : start;
    },
    seek(frame) {
      if (!player.available) return;
      wanted = within(frame);
      tries = 0;
      aimAt(times[wanted] + Math.min(NUDGE_NS, frameLength(wanted) / 2));
      tell();
    },
    step(frames) {
      if (!player.available) return;
      video.pause();
      player.seek(player.frame() + frames);
    },
    toggle() {
      if (!player.available) return;
      if (video.paused) video.play().catch(() => {});
      else video.pause();
    },
    onChange: (listener) => listeners.push(listener),
    beforeSeek: () => {},
  };

  function tell() {
    const frame = player.frame();
    for (const listener of listeners) listener(frame);
  }

  function aimAt(ns) {
    clearTimeout(waiting);
    arrived = false;
    aim = ns;
    video.setAttribute("aria-busy", "true");
    player.beforeSeek();
    video.currentTime = ns / 1e9;
  }

  function finish() {
    clearTimeout(waiting);
    wanted = null;
    video.setAttribute("aria-busy", "false");
    tell();
  }

  /* Called once the frame sought is on the screen, or should be. */
  function judge() {
    if (wanted === null || !arrived) return;
    const off = wanted - reported;
    tries += 1;
    if (!reports || off === 0 || Math.abs(off) > 2 || tries > MOST_TRIES || !video.paused) {
      finish();
    } else {
      const apart = Math.abs(times[wanted] - times[reported]);
      aimAt(Math.max(0, aim + Math.sign(off) * Math.max(4e6, apart / 2)));
    }
  }

  function report(_, { mediaTime }) {
    reported = lastUpTo(times, mediaTime * 1e9 + SLACK_NS);
    video.requestVideoFrameCallback(report);
    if (wanted === null) tell();
    else if (wanted !== reported) judge();
  }

  video.addEventListener("seeked", () => {
    if (video.seeking) return;
    arrived = true;
    clearTimeout(waiting);
    if (!reports || document.hidden) finish();
    /* A report may still be that of a seek before this one: let the picture come to rest. */
    else waiting = setTimeout(judge, CONFIRM_MS);
  });
  if (reports) video.requestVideoFrameCallback(report);
  for (const name of ["play", "pause", "ended", "loadeddata"]) {
    video.addEventListener(name, tell);
  }
  const eachFrame = () => {
    if (video.paused) return;
    tell();
    requestAnimationFrame(eachFrame);
  };
  video.addEventListener("play", () => requestAnimationFrame(eachFrame));
  return player;
}

/* Text tracks by script: a <track> file is refused to a page opened from disk. */
function addTrack(video, kind, label, language, cues) {
  if (!cues.length) return null;
  const track = video.addTextTrack(kind, label, language);
  for (const [start, end, text] of cues) {
    const plain = text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
    track.addCue(new VTTCue(start, end, plain));
  }
  track.mode = "hidden";
  return track;
}
