"use strict";
/* Which frame was on the screen when a key went down.

   The browser hands frames to the screen on its own, apart from the scripts. At four times the
   speed more than one passes between two turns of the script, so the frame is asked for at the key
   itself: a VideoFrame of the video carries the time of the picture just handed over. Where the
   script was kept waiting (the key lies further back than LATE_MS) the browser's reports say what
   had been handed over when the key went down. */

const LATE_MS = 25;
const REPORTS = 240;

function makeScreen(video, player, length) {
  const SLACK_NS = 1.1e6; /* containers round times to 1 ms or finer */
  const reports = [];

  function report(_, { mediaTime, presentationTime }) {
    reports.push([presentationTime, mediaTime]);
    if (reports.length > REPORTS) reports.shift();
    video.requestVideoFrameCallback(report);
  }
  if ("requestVideoFrameCallback" in video) video.requestVideoFrameCallback(report);

  function pictureNow() {
    if (typeof VideoFrame === "undefined") return null;
    try {
      const frame = new VideoFrame(video);
      const seconds = frame.timestamp / 1e6;
      frame.close();
      return seconds;
    } catch {
      return null; /* no picture yet */
    }
  }

  const reportedAt = (when) => reports.findLast(([shown]) => shown <= when)?.[1] ?? null;

  /* Frame number on the screen at `when` (the time stamp of an event, ms). */
  function frameAt(when) {
    if (video.paused || video.seeking) return player.frame();
    const late = performance.now() - when > LATE_MS;
    const seconds = (late ? reportedAt(when) : null) ?? pictureNow() ?? reportedAt(when);
    return seconds === null ? player.frame() : player.frameAt(seconds * 1e9 + SLACK_NS);
  }

  return {
    frameAt,
    /* Where a step begins or ends that is marked at `when`: the start of that frame, or the end of
       the recording where it has played to its end. */
    edgeAt: (when) => (video.ended ? length : player.timeOf(frameAt(when))),
  };
}
