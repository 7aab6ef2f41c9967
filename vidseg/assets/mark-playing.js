"use strict";
/* Playing: speed, sound, captions, the file or its segments, and words when nothing is to be seen. */

const SPEEDS = [0.25, 0.5, 1, 1.5, 2, 3, 4];
const SPEED_NAMES = { 0.25: "¼×", 0.5: "½×", 1.5: "1½×" };

function makePlaying(video, first, length, player) {
  const speed = byId("speed"), note = byId("picture-note");
  let media = first.media, feed = null, made = null, waiting = false, failed = "";
  for (const value of SPEEDS) speed.append(make("option", { value, selected: value === 1 }, SPEED_NAMES[value] || `${value}×`));
  video.preservesPitch = true;

  function setSpeed(value) {
    video.defaultPlaybackRate = video.playbackRate = value;
    speed.value = String(value);
  }
  speed.addEventListener("change", () => setSpeed(Number(speed.value)));

  function show() {
    const share = made !== null && made < 1 ? ` ${Math.floor(100 * made)} % of the recording is ready.` : "";
    note.hidden = !(waiting || failed);
    note.textContent = failed || (waiting ? `This part is being made ready to play…${share}` : "");
  }

  function open() {
    if (feed) feed.close();
    feed = null;
    player.beforeSeek = () => feed && feed.reopen();
    failed = "";
    const { playbackRate } = video;
    if (media.mode === "file") video.src = "media/file";
    else if (typeof MediaSource === "undefined") {
      failed = "This browser cannot play the recording in pieces; use a current Chrome, Edge, Firefox or Safari.";
    } else {
      const types = [...media.runs.map((run) => run.video), media.audio].filter(Boolean);
      const bad = types.find((type) => !MediaSource.isTypeSupported(type));
      if (bad) failed = `This browser cannot play ${bad}.`;
      else {
        feed = makeFeed(video, media, {
          length,
          told(now) {
            waiting = now.waiting && !document.hidden;
            if (now.failed) waiting = true;
            show();
          },
        });
      }
    }
    setSpeed(playbackRate || 1);
    show();
  }

  /* A file that the browser cannot play after all is shown in segments. */
  async function fallBack() {
    if (media.mode !== "file") {
      failed = `The recording cannot be shown: ${video.error?.message || "unknown reason"}.`;
      return show();
    }
    waiting = true;
    show();
    const answer = await askServer("state?segments=1").catch(() => null);
    const data = answer?.ok ? await answer.json() : null;
    if (data && data.media.mode === "segments") {
      media = data.media;
      return open();
    }
    waiting = false;
    failed = "This browser cannot play the recording.";
    return show();
  }
  video.addEventListener("error", () => video.error && fallBack());
  for (const name of ["waiting", "playing", "canplay", "seeked"]) {
    video.addEventListener(name, () => {
      waiting = name === "waiting" && media.mode === "segments";
      show();
    });
  }
  byId("sound").hidden = !first.recording.audio;
  byId("sound").addEventListener("click", () => {
    video.muted = !video.muted;
    byId("sound").setAttribute("aria-pressed", String(!video.muted));
  });

  const { captions } = first, captionsOn = byId("captions-on"), captionNow = byId("caption-now");
  let captionsShown = false;
  captionsOn.hidden = !captions.length;
  captionsOn.addEventListener("click", () => {
    captionsShown = !captionsShown;
    captionsOn.setAttribute("aria-pressed", String(captionsShown));
  });

  open();
  return {
    setSpeed,
    faster(step) {
      const at = SPEEDS.indexOf(video.playbackRate);
      setSpeed(SPEEDS[Math.min(SPEEDS.length - 1, Math.max(0, at + step))]);
      tell(`Speed ${SPEED_NAMES[video.playbackRate] || `${video.playbackRate}×`}`);
    },
    progress(done) {
      made = done;
      show();
    },
    caption(ns) {
      const now = captionsShown ? captions.filter((cue) => cue.start_ns <= ns && ns < cue.end_ns) : [];
      captionNow.hidden = !now.length;
      captionNow.textContent = now.map((cue) => cue.text).join("\n");
    },
    end: () => feed && feed.close(),
  };
}
