"use strict";
(() => {
  const axis = () => Bokeh.documents[0]?.get_model_by_name("flight time");

  // Show a part of the flight in every figure on the time axis, never beyond the flight's own bounds.
  const show = (from, to) => {
    const range = axis();
    if (!range) return;
    const [first, last] = range.bounds;
    const width = Math.min(Math.max(to - from, 2), last - first);
    const start = Math.min(Math.max((from + to - width) / 2, first), last - width);
    range.setv({ start, end: start + width });
  };

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    const { from, to, move, scale, up } = button.dataset;
    const { start, end } = axis() ?? {};
    const width = end - start;
    if (from !== undefined) show(+from, +to);
    if (move !== undefined) show(start + move * width, end + move * width);
    if (scale !== undefined) show((start + end - scale * width) / 2, (start + end + scale * width) / 2);
    if (up) document.getElementById("time-h").scrollIntoView();
  });

  // As many times along the axis as there is room for.
  let printing = false;
  const fit = () => {
    if (printing) return; // the paper's width is not the screen's
    const ticks = Bokeh.documents[0]?.get_model_by_name("flight time ticks");
    const width = document.querySelector(".plot")?.offsetWidth;
    if (ticks && width) ticks.setv({ desired_num_ticks: Math.max(2, Math.round(width / 130)) });
  };
  addEventListener("resize", fit);
  addEventListener("load", fit);

  // A mouse drags a frame round what it wants to see; a finger must go on scrolling the page.
  if (matchMedia("(pointer: fine)").matches) {
    document.addEventListener("pointerdown", () => {
      for (const fig of Bokeh.documents[0].roots())
        for (const tool of fig.toolbar.tools) if (tool.type === "BoxZoomTool") tool.active = true;
    }, { once: true, capture: true });
  }

  // Paper has a width of its own: the figures shrink or grow to it, as drawn.
  const plots = () => document.querySelectorAll(".plot");
  const A4 = 703, half = 335; // CSS pixels between the margins, and in one of two columns
  addEventListener("beforeprint", () => {
    printing = true;
    for (const plot of plots()) {
      const drawn = plot.firstElementChild?.offsetWidth || plot.offsetWidth || A4;
      plot.style.zoom = Math.min((plot.closest(".pair") ? half : A4) / drawn, 2.1);
    }
  });
  addEventListener("afterprint", () => {
    for (const plot of plots()) plot.style.zoom = "";
    printing = false;
  });
})();
