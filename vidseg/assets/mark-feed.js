"use strict";
/* Feeds the video from segments by Media Source Extensions: those around the playhead are fetched
   and appended, far ones let go, holes jumped over. Segments lie on the case clock already.

   makeFeed(video, media, { length, told }) with told(state) for { waiting: bool, failed: text }
   gives { reopen(), close() }; call reopen() before a seek. */

const AHEAD_S = 20, BEHIND_S = 20, KEPT_S = 60;
const RETRY_MS = 1000;
const TAIL_S = 0.6, HOLE_S = 0.05;

function makeFeed(video, media, { length, told }) {
  const source = new MediaSource();
  const tracks = [];
  const segments = media.segments.map(([start, end, run]) => ({ start: start / 1e9, end: end / 1e9, run }));
  const here = new Set();
  const inits = new Map();
  let tailed = false, closed = false, running = false, again = 0, making = null;

  const once = (target, name) => new Promise((resolve) => target.addEventListener(name, resolve, { once: true }));
  const at = (s) => segments.findIndex((segment) => segment.start <= s + 1e-6 && s < segment.end);
  const after = (s) => segments.findIndex((segment) => segment.start > s - 1e-6);

  async function fetched(path) {
    making = new AbortController();
    const answer = await fetch(path, { cache: "no-store", signal: making.signal });
    if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
    return answer.arrayBuffer();
  }

  async function append(buffer, bytes) {
    for (let tries = 0; ; tries += 1) {
      try {
        buffer.appendBuffer(bytes);
        await once(buffer, "updateend");
        return;
      } catch (error) {
        if (error.name !== "QuotaExceededError" || tries > 2) throw error;
        await letGo(5);
      }
    }
  }

  async function letGo(margin) {
    const now = video.currentTime;
    for (const [from, to] of [[0, now - margin], [now + margin + AHEAD_S * 2, length / 1e9]]) {
      if (to <= from) continue;
      const gone = [...here].filter((i) => segments[i].start < to && segments[i].end > from);
      if (!gone.length) continue;
      const first = Math.min(...gone.map((i) => segments[i].start));
      const last = Math.max(...gone.map((i) => segments[i].end));
      const end = from === 0 ? to : last;
      for (const { buffer } of tracks) {
        if (source.readyState === "closed") return;
        buffer.remove(Math.max(0, Math.min(first, from)), end);
        await once(buffer, "updateend");
      }
      gone.forEach((i) => here.delete(i));
    }
  }

  async function put(index) {
    const { run } = segments[index];
    for (const track of tracks) {
      if (track.run !== run) {
        const key = `media/${run}/init/${track.name}`;
        if (!inits.has(key)) inits.set(key, await fetched(key));
        const type = track.name === "video" ? media.runs[run].video : media.audio;
        if (track.type !== type) track.buffer.changeType(type);
        track.type = type;
        await append(track.buffer, inits.get(key));
        track.run = run;
      }
      const bytes = await fetched(`media/${index}/${track.name}`);
      if (bytes.byteLength) await append(track.buffer, bytes);
    }
    here.add(index);
  }

  /* At rest on the last pictures before a hole: gives the last segment before it, else -1. Decoders
     hold these pictures back until more comes or the stream ends, so there it is ended for a while. */
  function tail() {
    let last = at(video.currentTime);
    if (last < 0 || !video.paused) return -1;
    while (last + 1 < segments.length && segments[last + 1].start - segments[last].end < HOLE_S) last += 1;
    const near = segments[last].end - video.currentTime < TAIL_S;
    return near && last < segments.length - 1 ? last : -1;
  }

  async function endAt(last) {
    if ([...here].some((i) => i > last)) {
      for (const { buffer } of tracks) {
        buffer.remove(segments[last].end, Infinity);
        await once(buffer, "updateend");
      }
      for (const i of [...here]) if (i > last) here.delete(i);
    }
    if (tail() !== last || source.readyState !== "open") return;
    source.endOfStream();
    tailed = true;
  }

  /* An ended stream is as long as what it holds, and no seek goes beyond: open it again. */
  function reopen() {
    if (!tailed || source.readyState !== "ended" || tracks.some(({ buffer }) => buffer.updating)) return;
    tailed = false;
    tracks[0].buffer.appendBuffer(new Uint8Array());
    tracks[0].buffer.abort();
    source.duration = length / 1e9;
  }

  /* The next segment that is missing, nearest to the playhead first. */
  function missing() {
    const now = video.currentTime;
    const first = at(now) >= 0 ? at(now) : after(now);
    if (first < 0) return -1;
    const end = tail();
    for (let i = first; i < (end < 0 ? segments.length : end + 1); i += 1) {
      if (segments[i].start > now + AHEAD_S * Math.max(1, video.playbackRate)) break;
      if (!here.has(i)) return i;
    }
    return at(now) > 0 && segments[first - 1].end > now - BEHIND_S && !here.has(first - 1) ? first - 1 : -1;
  }

  async function pump() {
    if (running || closed || !tracks.length) return;
    running = true;
    try {
      for (let i = missing(); i >= 0 && !closed; i = missing()) {
        told({ waiting: video.readyState < 3 });
        await put(i);
      }
      if (here.size * 2 > KEPT_S) await letGo(KEPT_S);
      const last = tail();
      if (last >= 0) await endAt(last);
      else if (here.has(segments.length - 1) && source.readyState === "open" && missing() < 0) {
        source.endOfStream();
      }
      told({ waiting: false });
    } catch (error) {
      if (closed) return;
      if (error.name !== "AbortError") {
        told({ waiting: true, failed: error.message });
        again = setTimeout(pump, RETRY_MS);
      } else again = setTimeout(pump, 0);
    } finally {
      running = false;
    }
  }

  function sought() {
    if (making && !here.has(at(video.currentTime))) making.abort();
    pump();
  }

  /* Nothing was recorded in a hole: go on where the next part begins. */
  function jumpHole() {
    const now = video.currentTime;
    if (video.ended) return;
    const in_ = at(now);
    const left = in_ >= 0 ? segments[in_].end - now : 0;
    const next = segments.find((segment) => segment.start > now);
    const hole = next && (in_ < 0 || (left < 0.12 && next.start - segments[in_].end > HOLE_S));
    if (hole && (in_ < 0 || video.readyState < 3)) video.currentTime = next.start + 1e-3;
  }

  const ticking = setInterval(() => {
    if (!video.paused) jumpHole();
    pump();
  }, 200);
  video.addEventListener("seeking", sought);
  video.addEventListener("play", reopen);
  source.addEventListener("sourceopen", () => {
    if (tracks.length) return;
    source.duration = length / 1e9;
    const wanted = [["video", media.runs[0]?.video], ["audio", media.audio]].filter(([, type]) => type);
    for (const [name, type] of wanted) {
      tracks.push({ name, type, run: -1, buffer: source.addSourceBuffer(type) });
    }
    pump();
  });
  video.src = URL.createObjectURL(source);

  return {
    reopen,
    close() {
      closed = true;
      clearInterval(ticking);
      clearTimeout(again);
      if (making) making.abort();
      video.removeEventListener("seeking", sought);
      video.removeEventListener("play", reopen);
      URL.revokeObjectURL(video.src);
    },
  };
}
