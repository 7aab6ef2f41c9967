"""Segments played by Chromium through Media Source Extensions: each frame seen is the one meant."""

import json
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.probe import open_recording
from vidseg.media.stream.playback import Playback, plan_playback
from vidseg.media.stream.segment_maker import SegmentMaker
from vidseg.model.recording import Recording

pytestmark = pytest.mark.slow

NS = 1_000_000_000
HOLE_START = 5 * NS
PAGE = b"<!doctype html><video id='video' muted></video><canvas id='canvas'></canvas>"

LOAD = """
async (plan) => {
  const video = document.getElementById('video'), source = new MediaSource();
  video.src = URL.createObjectURL(source);
  await new Promise((done) => { source.onsourceopen = done; });
  const buffers = {video: source.addSourceBuffer(plan.runs[0])};
  if (plan.audio) buffers.audio = source.addSourceBuffer(plan.audio);
  const ready = (buffer, act) => new Promise((done, fail) => {
    buffer.onupdateend = done;
    buffer.onerror = () => fail(new Error('the browser refuses a segment'));
    act(buffer);
  });
  const append = async (track, address) => {
    const data = await (await fetch(address)).arrayBuffer();
    await ready(buffers[track], (buffer) => buffer.appendBuffer(data));
  };
  const stretches = [];
  plan.segments.forEach(([start], place) => {
    const follows = place > 0 && plan.segments[place - 1][1] === start;
    stretches.push(follows ? stretches[place - 1] : place);
  });
  let run = -1, loaded = -1;
  window.load = async (at) => {
    const found = plan.segments.findIndex(([start, end]) => start <= at && at < end);
    if (stretches[found] === loaded) return;
    for (const track of Object.keys(buffers)) {
      if (loaded >= 0) await ready(buffers[track], (buffer) => buffer.remove(0, Infinity));
      else if (track === 'audio') await append('audio', 'initial/0/audio');
    }
    loaded = stretches[found];
    const wanted = [...stretches.keys()].filter((place) => stretches[place] === loaded);
    if (plan.reverse) wanted.reverse();
    for (const place of wanted) {
      if (plan.segments[place][2] !== run) {
        run = plan.segments[place][2];
        await append('video', `initial/${run}/video`);
      }
      for (const track of Object.keys(buffers)) await append(track, `segment/${place}/${track}`);
    }
    source.endOfStream();
  };
}
"""

SHOW = """
async (at) => {
  const video = document.getElementById('video'), canvas = document.getElementById('canvas');
  await window.load(at);
  const seen = new Promise((done) => {
    video.requestVideoFrameCallback((now, facts) => done(facts.mediaTime));
  });
  const sought = new Promise((done) => { video.onseeked = done; });
  video.currentTime = at / 1e9;
  await sought;
  const time = await seen;
  canvas.width = video.videoWidth;
  canvas.height = video.videoHeight;
  const context = canvas.getContext('2d');
  context.drawImage(video, 0, 0);
  const row = context.getImageData(0, Math.floor(canvas.height * 0.975), canvas.width, 1).data;
  return [time, [...row].filter((value, place) => place % 4 === 0)];
}
"""


@contextmanager
def served(maker: SegmentMaker) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            what, *rest = self.path.strip("/").split("/")
            data, kind = PAGE, "text/html"
            if what in ("initial", "segment"):
                make = maker.initial if what == "initial" else maker.segment
                data, kind = make(int(rest[0]), rest[1]), "application/octet-stream"
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def check(browser: Any, recording: Recording, playback: Playback, *, reverse: bool) -> None:
    """Jump to places at random; the time and the bar code are those of the frame meant."""
    plan = {
        "runs": [run.video for run in playback.runs],
        "audio": playback.audio,
        "segments": [[s.start_ns, s.end_ns, s.run] for s in playback.segments],
        "reverse": reverse,
    }
    chance = random.Random(3)
    edges = {s.start_ns for s in playback.segments} | {s.end_ns for s in playback.segments}
    starts = np.array([recording.frame_start(i) for i in range(recording.n_frames)])
    last = [recording.first_frame(n) - 1 for n in range(1, len(recording.parts))]
    frames = [0, 1, 2, 3, *last, *chance.sample(range(recording.n_frames), 7), len(starts) - 1]
    with closing(SegmentMaker(recording, playback)) as maker, served(maker) as address:
        page = browser.new_page()
        page.goto(address)
        page.evaluate(LOAD, json.loads(json.dumps(plan)))
        for frame in frames:
            ends = [int(edge) for edge in (*edges, *starts) if edge > starts[frame]]
            share = chance.choice([0.1, 0.5, 0.9])
            at = int(starts[frame]) + int(share * (min(ends) - int(starts[frame])))
            time, row = page.evaluate(SHOW, at)
            picture = np.tile(np.array(row, np.uint8), (40, 1))
            assert (read_number(picture), share) == (frame, share)
            assert time == pytest.approx(starts[frame] / NS, abs=0.001)
        page.close()


@pytest.mark.parametrize(
    ("name", "way", "reverse"),
    [
        ("plain.mkv", "copied", False),
        ("variable.ts", "copied", True),
        ("mpeg2.mpg", "encoded", False),
    ],
)
def test_the_frame_seen_is_the_frame_meant(
    name: str, way: str, reverse: bool, browser: Any, kind: Callable[[str], Path]
) -> None:
    recording = open_recording([kind(name)])
    playback = plan_playback(recording, prefer_segments=True)
    assert [found.way for found in playback.ways] == [way]
    check(browser, recording, playback, reverse=reverse)


def test_two_parts_with_a_hole_play_as_one(browser: Any, tmp_path: Path) -> None:
    size = (192, 108)
    make_clip(tmp_path / "one.mkv", frames=60, size=size, gop=25)
    make_clip(
        tmp_path / "two.mpg", frames=60, size=size, codec="mpeg2video", gop=15, first_number=60
    )
    recording = open_recording([tmp_path / "one.mkv", tmp_path / "two.mpg"], starts=(0, HOLE_START))
    playback = plan_playback(recording)
    assert [found.way for found in playback.ways] == ["copied", "encoded"]
    check(browser, recording, playback, reverse=False)
