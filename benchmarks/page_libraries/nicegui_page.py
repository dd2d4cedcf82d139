"""The trial page in NiceGUI: its own chart, all series at each update or the newest levels only."""

from nicegui import app, background_tasks, ui

from benchmarks.page_libraries.shared import HOST, POINTS, Door, Strip, arguments, now_ms, ticks

WATCH = """
window.seen = []; let last = 0;
const watch = setInterval(() => {
  const element = getElement(CHART);
  if (!element?.chart) return;
  clearInterval(watch);
  const chart = element.chart;
  chart.on('rendered', () => {
    const stamp = chart.getModel().option.stamp;
    if (stamp === last) return;
    last = stamp;
    window.seen.push(performance.timeOrigin + performance.now() - stamp);
  });
  const strips = Array.from({length: CHANNELS}, () => Array(POINTS).fill(-60));
  window.push = (stamp, newest) => {
    newest.forEach((level, i) => { strips[i].push(level); strips[i].shift(); });
    chart.setOption({stamp, series: strips.map(data => ({data}))}, {lazyUpdate: true});
  };
}, 50);
"""


def main() -> None:
    variant, port, channels, rate, token = arguments()
    app.add_middleware(Door, port=port, token=token)

    @ui.page("/")
    async def page() -> None:
        strip = Strip(channels)
        figures = [ui.label().style("font-size: 48px") for _ in range(channels)]
        chart = ui.echart(
            {
                "animation": False,
                "stamp": 0,
                "xAxis": {"type": "category", "axisLabel": {"show": False}},
                "yAxis": {"min": -60, "max": 0},
                "series": [
                    {"type": "line", "showSymbol": False, "silent": True, "data": row}
                    for row in strip.rows()
                ],
            }
        ).style("width: 1000px; height: 300px")
        client = ui.context.client

        async def run() -> None:
            await client.connected()
            watch = WATCH.replace("CHART", str(chart.id)).replace("CHANNELS", str(channels))
            client.run_javascript(watch.replace("POINTS", str(POINTS)))
            async for _ in ticks(rate):
                newest = [round(level, 1) for level in strip.step().tolist()]
                for figure, level in zip(figures, newest, strict=True):
                    figure.set_text(f"{level:.1f} dBFS")
                if variant == "whole":
                    chart.options["stamp"] = now_ms()
                    for series, row in zip(chart.options["series"], strip.rows(), strict=True):
                        series["data"] = row
                    chart.update()
                else:
                    client.run_javascript(f"window.push?.({now_ms()}, {newest})")

        background_tasks.create(run())

    ui.run(
        host=HOST,
        port=port,
        reload=False,
        show=False,
        tailwind=False,  # the look would be our own
        uvicorn_logging_level="error",
        ws_per_message_deflate=False,  # nothing to gain on one's own machine
    )


if __name__ in {"__main__", "__mp_main__"}:
    main()
