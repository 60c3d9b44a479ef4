// Pointing at the two markers in a still: tap, slide or arrow keys, with a round glass to aim.
"use strict";
(() => {
  const point = document.querySelector(".point");
  if (!point) return;
  const form = point.closest("form");
  const picture = point.querySelector("img");
  const drawing = point.querySelector("svg");
  const line = drawing.querySelector("line");
  const glass = point.querySelector("canvas");
  const help = document.getElementById("point-help");
  const send = form.querySelector("button.primary");
  const width = Number(point.dataset.width);
  const height = Number(point.dataset.height);
  const ZOOM = 4;
  const SVG = "http://www.w3.org/2000/svg";
  const feet = {};
  let side = "left";

  const field = (name) => form.elements.namedItem(name);
  const mark = (name) => {
    const group = document.createElementNS(SVG, "g");
    const ring = document.createElementNS(SVG, "circle");
    ring.setAttribute("class", "foot");
    ring.setAttribute("r", String(width / 90));
    const word = document.createElementNS(SVG, "text");
    word.textContent = name === "left" ? "L" : "R";
    word.setAttribute("font-size", String(width / 32));
    group.append(ring, word);
    drawing.append(group);
    return { ring, word };
  };

  const choose = (name) => {
    side = name;
    for (const button of form.querySelectorAll("[data-side]")) {
      button.setAttribute("aria-pressed", String(button.dataset.side === name));
    }
  };

  const put = (name, x, y) => {
    feet[name] ??= { ...mark(name) };
    const foot = feet[name];
    foot.x = Math.min(width - 1, Math.max(0, x));
    foot.y = Math.min(height - 1, Math.max(0, y));
    foot.ring.setAttribute("cx", foot.x);
    foot.ring.setAttribute("cy", foot.y);
    foot.word.setAttribute("x", foot.x);
    foot.word.setAttribute("y", foot.y - width / 60);
    field(name).value = `${foot.x.toFixed(1)},${foot.y.toFixed(1)}`;
    if (feet.left && feet.right) {
      for (const [one, [a, b]] of Object.entries({ left: ["x1", "y1"], right: ["x2", "y2"] })) {
        line.setAttribute(a, feet[one].x);
        line.setAttribute(b, feet[one].y);
      }
      line.removeAttribute("hidden");
      send.disabled = false;
      help.textContent = "Does the yellow line run from one marker's foot to the other's? Then send it.";
    }
  };

  const look = (x, y, near) => {
    const brush = glass.getContext("2d");
    const scale = picture.naturalWidth / width;
    const span = glass.width / ZOOM * (width / point.clientWidth) / devicePixelRatio;
    brush.fillRect(0, 0, glass.width, glass.height);
    brush.drawImage(picture, (x - span / 2) * scale, (y - span / 2) * scale, span * scale, span * scale,
      0, 0, glass.width, glass.height);
    brush.strokeStyle = "#ffd84d";
    brush.lineWidth = 2;
    brush.beginPath();
    brush.moveTo(glass.width / 2, 96); brush.lineTo(glass.width / 2, 160);
    brush.moveTo(96, glass.height / 2); brush.lineTo(160, glass.height / 2);
    brush.stroke();
    glass.classList.toggle("right", near);
    glass.hidden = false;
  };

  const place = (event) => {
    const box = point.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * width;
    const y = ((event.clientY - box.top) / box.height) * height;
    put(side, x, y);
    look(x, y, event.clientX - box.left < box.width / 2);
  };
  let sliding = false;
  point.addEventListener("pointerdown", (event) => {
    sliding = true;
    point.setPointerCapture(event.pointerId);
    place(event);
  });
  point.addEventListener("pointermove", (event) => { if (sliding) place(event); });
  point.addEventListener("pointerup", () => {
    sliding = false;
    glass.hidden = true;
    if (side === "left" && !feet.right) {
      choose("right");
      help.textContent = "Now the foot of the right marker.";
    }
  });
  point.addEventListener("pointercancel", () => { sliding = false; glass.hidden = true; });

  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  for (const button of form.querySelectorAll("[data-side]")) {
    button.addEventListener("click", () => choose(button.dataset.side));
    button.addEventListener("keydown", (event) => {
      const step = STEPS[event.key];
      if (!step) return;
      event.preventDefault();
      choose(button.dataset.side);
      const by = event.shiftKey ? 20 : 1;
      const at = feet[side] ?? { x: width * (side === "left" ? 0.4 : 0.6), y: height / 2 };
      put(side, at.x + step[0] * by, at.y + step[1] * by);
      look(feet[side].x, feet[side].y, feet[side].x < width / 2);
    });
    button.addEventListener("blur", () => { glass.hidden = true; });
  }
  for (const name of ["left", "right"]) {
    const given = field(name).value.split(",").map(Number);
    if (given.length === 2) put(name, ...given);
  }
})();
