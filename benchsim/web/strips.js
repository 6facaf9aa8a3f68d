// Draws the links as moving strips: the asking side above its line, the answering side below, time to the right.
// What was broken is hatched and crossed, so that it reads without colour.
(() => {
  const ROW = 60, LABEL = 80, AXIS = 20;
  const state = { pieces: [], links: [], end: 0, span: 1, chosen: null };
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  function hatch(context, ink) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 6;
    const brush = tile.getContext("2d");
    brush.strokeStyle = ink;
    brush.lineWidth = 1.5;
    brush.beginPath();
    brush.moveTo(0, 6);
    brush.lineTo(6, 0);
    brush.stroke();
    return context.createPattern(tile, "repeat");
  }

  function place(canvas) {
    const width = canvas.clientWidth - LABEL - 8, begin = state.end - state.span;
    return (time) => LABEL + ((time - begin) / state.span) * width;
  }

  function step(span) {
    for (const one of [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10]) if (span / one <= 8) return one;
    return 30;
  }

  function draw() {
    const canvas = document.getElementById("strips");
    if (!canvas) return;
    const ratio = window.devicePixelRatio || 1, height = state.links.length * ROW + AXIS;
    canvas.style.height = height + "px";
    if (canvas.width !== Math.round(canvas.clientWidth * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(canvas.clientWidth * ratio);
      canvas.height = Math.round(height * ratio);
    }
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, canvas.clientWidth, height);
    const x = place(canvas), faint = colour("--faint"), ink = colour("--ink"), soft = colour("--soft");
    const wrong = hatch(context, colour("--bad"));
    context.font = "12px ui-monospace, monospace";
    context.textBaseline = "middle";
    const unit = step(state.span), begin = state.end - state.span;
    context.strokeStyle = faint;
    context.fillStyle = soft;
    context.lineWidth = 1;
    for (let mark = Math.ceil(begin / unit) * unit; mark <= state.end + 1e-9; mark += unit) {
      if (mark < 0) continue;
      context.beginPath();
      context.moveTo(x(mark), 0);
      context.lineTo(x(mark), height - AXIS);
      context.stroke();
      if (x(mark) + 40 < canvas.clientWidth) context.fillText(mark.toFixed(unit < 0.1 ? 3 : 1), x(mark) + 3, height - AXIS / 2);
    }
    state.links.forEach((link, row) => {
      const middle = row * ROW + ROW / 2;
      context.fillStyle = ink;
      context.fillText(link.name, 4, middle);
      context.fillStyle = soft;
      context.font = "12px ui-monospace, monospace";
      context.fillText(link.out, 4, middle - 18);
      context.fillText(link.in, 4, middle + 18);
      context.font = "13px ui-monospace, monospace";
      context.strokeStyle = soft;
      context.beginPath();
      context.moveTo(LABEL, middle);
      context.lineTo(canvas.clientWidth, middle);
      context.stroke();
    });
    const rows = new Map(state.links.map((link, row) => [link.name, row]));
    for (const [start, end, link, out, bad] of state.pieces) {
      if (!rows.has(link)) continue;
      const middle = rows.get(link) * ROW + ROW / 2, left = Math.max(x(start), LABEL);
      const width = Math.max(3, x(end) - left), top = out ? middle - 22 : middle + 4;
      context.fillStyle = bad ? wrong : colour(out ? "--ask" : "--answer");
      context.fillRect(left, top, width, 18);
      if (bad) {
        context.strokeStyle = colour("--bad");
        context.lineWidth = 2;
        context.strokeRect(left, top, width, 18);
        context.fillStyle = colour("--bad");
        context.fillText("✕", left - 2, out ? top - 5 : top + 24);
        context.lineWidth = 1;
      }
      if (state.chosen && state.chosen.link === link && Math.abs(state.chosen.time - start) < 1e-6) {
        context.strokeStyle = ink;
        context.lineWidth = 2;
        context.strokeRect(left - 2, top - 2, width + 4, 22);
        context.lineWidth = 1;
      }
    }
  }

  // The server writes what is to be drawn into an attribute of the canvas.
  function shown() {
    const canvas = document.getElementById("strips");
    if (canvas && canvas.dataset.shown) Object.assign(state, JSON.parse(canvas.dataset.shown));
    draw();
  }
  new MutationObserver(shown).observe(document, { subtree: true, attributes: true, attributeFilter: ["data-shown", "data-look"] });

  document.addEventListener("click", (event) => {
    if (event.target.id !== "strips") return;
    const box = event.target.getBoundingClientRect(), x = place(event.target);
    const row = Math.floor((event.clientY - box.top) / ROW), link = state.links[row];
    if (!link) return;
    const at = event.clientX - box.left;
    let best = null, distance = 40;
    for (const piece of state.pieces) {
      if (piece[2] !== link.name) continue;
      const away = Math.max(x(piece[0]) - at, at - x(piece[1]), 0);
      if (away < distance) [best, distance] = [piece, away];
    }
    if (best) emitEvent("exchange", { link: link.name, time: best[0] });
  });
  window.addEventListener("resize", draw);
})();
