"""The trial page in Starlette: a canvas of our own, fed with JSON or with binary frames."""

import contextlib
import json

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from benchmarks.page_libraries.shared import HOST, POINTS, Door, Strip, arguments, now_ms, ticks

PAGE = """<!doctype html><title>levels</title><link rel="icon" href="data:,">
<style>p { font: 48px sans-serif; margin: 8px }</style>
<div id="figures"></div><canvas width="1000" height="300"></canvas>
<script>
const CHANNELS = %d, POINTS = %d;
const colours = ['#56b', '#9c7', '#fc5', '#e66', '#7bd', '#3a7', '#f85', '#95b'];
const context = document.querySelector('canvas').getContext('2d');
const figures = Array.from({length: CHANNELS}, () =>
  document.getElementById('figures').appendChild(document.createElement('p')));
let strips = Array.from({length: CHANNELS}, () => Array(POINTS).fill(-60));
let stamp = 0, waiting = false;
window.seen = [];
function draw() {
  waiting = false;
  context.clearRect(0, 0, 1000, 300);
  context.strokeStyle = '#ddd'; context.fillStyle = '#555'; context.lineWidth = 1;
  for (let level = -60; level <= 0; level += 10) {
    context.beginPath(); context.moveTo(0, -5 * level); context.lineTo(1000, -5 * level);
    context.stroke(); context.fillText(level, 2, -5 * level - 2);
  }
  context.lineWidth = 2;
  strips.forEach((strip, i) => {
    context.strokeStyle = colours[i];
    context.beginPath();
    for (let x = 0; x < POINTS; x++) context.lineTo(x, -5 * strip[x]);
    context.stroke();
    figures[i].textContent = strip[POINTS - 1].toFixed(1) + ' dBFS';
  });
  window.seen.push(performance.timeOrigin + performance.now() - stamp);
}
const socket = new WebSocket(`ws://${location.host}/levels`);
socket.binaryType = 'arraybuffer';
socket.onmessage = ({data}) => {
  if (typeof data === 'string') {
    const message = JSON.parse(data);
    stamp = message.stamp;
    if (message.strips) strips = message.strips;
    else message.newest.forEach((level, i) => { strips[i].push(level); strips[i].shift(); });
  } else {
    stamp = new Float64Array(data, 0, 1)[0];
    strips = strips.map((_, i) => new Float32Array(data, 8 + 4 * POINTS * i, POINTS));
  }
  if (!waiting) { waiting = true; requestAnimationFrame(draw); }
};
</script>"""


def main() -> None:
    variant, port, channels, rate, token = arguments()

    async def page(request: Request) -> Response:
        return HTMLResponse(PAGE % (channels, POINTS))

    async def levels(socket: WebSocket) -> None:
        await socket.accept()
        strip = Strip(channels)
        with contextlib.suppress(WebSocketDisconnect):
            async for _ in ticks(rate):
                newest = [round(level, 1) for level in strip.step().tolist()]
                if variant == "binary":
                    stamp = np.float64(now_ms()).tobytes()
                    await socket.send_bytes(stamp + strip.levels.tobytes())
                elif variant == "whole":
                    message = {"stamp": now_ms(), "strips": strip.rows()}
                    await socket.send_text(json.dumps(message, separators=(",", ":")))
                else:
                    await socket.send_text(json.dumps({"stamp": now_ms(), "newest": newest}))

    app = Starlette(routes=[Route("/", page), WebSocketRoute("/levels", levels)])
    app.add_middleware(Door, port=port, token=token)
    uvicorn.run(app, host=HOST, port=port, log_level="error", ws_per_message_deflate=False)


if __name__ == "__main__":
    main()
