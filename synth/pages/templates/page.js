"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);

  // -- reading curves under the pointer ------------------------------------------------------------

  function share(axis, value) {
    const at = axis.scale === "log" ? Math.log : (v) => v;
    return (at(value) - at(axis.low)) / (at(axis.high) - at(axis.low));
  }

  function along(axis, part) {
    if (axis.scale === "log") {
      return axis.low * Math.pow(axis.high / axis.low, part);
    }
    return axis.low + part * (axis.high - axis.low);
  }

  // the value between two samples, along the axis as it is drawn; none beyond the ends
  function between(row, values, value, axis) {
    let low = 0;
    let high = row.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (row[middle] <= value) { low = middle; } else { high = middle; }
    }
    const slack = 1e-4 * Math.abs(value);
    if (high < 0 || value < row[0] - slack || value > row[high] + slack) { return null; }
    if (values[low] === null || values[high] === null || row[high] === row[low]) { return values[low]; }
    const ends = [share(axis, row[low]), share(axis, row[high])];
    const part = Math.min(Math.max((share(axis, value) - ends[0]) / (ends[1] - ends[0]), 0), 1);
    return values[low] + part * (values[high] - values[low]);
  }

  function written(value, axis) {
    if (value === null) { return "–"; }
    let text = String(Number(value.toPrecision(4)));
    let unit = axis.unit;
    if (axis.scale === "log") {
      const names = ["p", "n", "µ", "m", "", "k", "M", "G"];
      const power = Math.floor(Math.log10(Math.abs(value)) / 3 + 1e-9);
      if (power >= -4 && power <= 3) {
        text = String(Number((value / Math.pow(1000, power)).toPrecision(4)));
        unit = names[power + 4] + unit;
      }
    }
    return text.replace("-", "−") + (unit === "°" ? "°" : unit ? " " + unit : "");
  }

  function attach(picture) {
    const plot = data[picture.dataset.plot];
    if (!plot || !plot.panels.some((p) => p.curves.length)) { return; }
    const output = picture.parentElement.querySelector("output");
    if (!output) { return; }
    const cursors = plot.boxes.map((box) => {
      const line = document.createElement("div");
      line.className = "cursor";
      line.hidden = true;
      line.style.top = 100 * box[1] + "%";
      line.style.height = 100 * (box[3] - box[1]) + "%";
      picture.append(line);
      return line;
    });
    const first = plot.panels[0];
    let place = null;

    function clear() {
      cursors.forEach((line) => { line.hidden = true; });
      output.replaceChildren();
    }

    function show(part) {
      place = Math.min(Math.max(part, 0), 1);
      const x = along(first.x, place);
      const pieces = [["", written(x, first.x)]];
      plot.panels.forEach((panel, k) => {
        panel.curves.forEach((curve) => {
          const row = panel.rows[curve.x];
          const name = k ? curve.label + ", deviation" : curve.label;
          pieces.push([name + " ", written(between(row, curve.y, x, panel.x), panel.y)]);
        });
      });
      output.replaceChildren(...pieces.map((piece) => {
        const span = document.createElement("span");
        span.textContent = piece[0] + piece[1];
        return span;
      }));
      cursors.forEach((line, k) => {
        const box = plot.boxes[k];
        line.hidden = false;
        line.style.left = 100 * (box[0] + place * (box[2] - box[0])) + "%";
      });
    }

    picture.addEventListener("pointermove", (event) => {
      const frame = picture.getBoundingClientRect();
      const box = plot.boxes[0];
      const part = ((event.clientX - frame.left) / frame.width - box[0]) / (box[2] - box[0]);
      if (part < 0 || part > 1) { clear(); } else { show(part); }
    });
    picture.addEventListener("pointerleave", clear);
    picture.addEventListener("blur", clear);
    picture.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -0.01, ArrowRight: 0.01, Home: -2, End: 2 }[event.key];
      if (step) {
        event.preventDefault();
        show((place === null ? 0.5 : place) + step);
      }
    });
  }

  document.querySelectorAll(".picture").forEach(attach);

  // -- on paper nothing can be opened --------------------------------------------------------------

  window.addEventListener("beforeprint", () => {
    document.querySelectorAll("details").forEach((closed) => { closed.open = true; });
  });

  // -- copying -------------------------------------------------------------------------------------

  document.querySelectorAll(".copy").forEach((button) => {
    button.addEventListener("click", () => {
      const text = button.parentElement.querySelector("pre");
      const range = document.createRange();
      range.selectNodeContents(text);
      const selection = window.getSelection();
      selection.removeAllRanges();
      selection.addRange(range);
      const done = document.execCommand("copy");
      button.textContent = done ? "copied" : "selected";
      window.setTimeout(() => { button.textContent = "copy"; }, 1500);
    });
  });
}());
