// Plays the moment that is asked about, over and over, zoomed on the ball's way; keys answer at once.
// Without this script every form on the page still works.
"use strict";
(() => {
  const player = document.getElementById("player");
  if (!player) return;
  const video = player.querySelector("video");
  const screen = player.querySelector(".screen");
  const pan = player.querySelector(".pan");
  const tag = document.getElementById("now");
  const [gone, toCome] = [".gone", ".to-come"].map((name) => player.querySelector(name));
  const SLOW = 0.5;
  const SETTLE_S = 0.02;
  let moment = null;
  let zoomed = true;

  const work = () => document.getElementById("work");
  const toggle = (what, on) =>
    player.querySelector(`[data-do=${what}]`)?.setAttribute("aria-pressed", String(on));
  const clock = (seconds, digits = 2) => {
    const unit = 10 ** digits;
    const whole = Math.round(seconds * unit);
    const minutes = Math.floor(whole / (60 * unit));
    const rest = (whole - minutes * 60 * unit) / unit;
    return `${minutes}:${rest.toFixed(digits).padStart(3 + digits, "0")}`;
  };

  // The ball's way as dots, but never where the ball is just now: that is what has to be seen.
  const NEAR = 0.12;
  const draw = () => {
    if (!moment || !gone) return;
    const { path, kick, line } = moment;
    const share = (video.currentTime - kick) / Math.max(0.05, line - kick);
    const from = Math.floor(Math.max(0, share - NEAR) * path.length);
    const until = Math.ceil(Math.min(1, Math.max(0, share + NEAR)) * path.length);
    gone.setAttribute("points", share > 0 ? path.slice(0, from).join(" ") : "");
    toCome.setAttribute("points", path.slice(share < 0 ? Math.ceil(NEAR * path.length) : until).join(" "));
  };
  const tell = () => {
    if (!tag) return;
    const speed = video.playbackRate < 1 ? " · half speed" : "";
    const how = zoomed && moment?.box ? " · zoomed on the ball's way" : "";
    tag.textContent = `${clock(video.currentTime, 1)}${speed}${how}`;
  };
  const zoom = () => {
    if (!pan) return;
    const [left, top, wide] = (zoomed && moment?.box) || [0, 0, 1];
    // The picture stands in a screen of another shape with bars beside it; shares are of the picture.
    const width = Number(player.dataset.width), height = Number(player.dataset.height);
    const fit = Math.min(screen.clientWidth / width, screen.clientHeight / height);
    const bars = [(screen.clientWidth - width * fit) / 2, (screen.clientHeight - height * fit) / 2];
    const scale = Math.min(1 / wide, 6);
    const x = (bars[0] + left * width * fit) * scale - (scale > 1 ? bars[0] : 0);
    const y = (bars[1] + top * height * fit) * scale - (scale > 1 ? bars[1] : 0);
    pan.style.transform = scale > 1 ? `translate(${-x}px, ${-y}px) scale(${scale})` : "";
  };

  const pictures = () => {
    const row = document.getElementById("moments");
    const stills = document.getElementById("stills");
    const data = work().dataset;
    if (row) {
      row.hidden = !data.moments;
      const said = {
        contact: `contact ${clock(moment?.kick ?? 0, 1)}`,
        line: data.lineCaption, after: "after",
      };
      for (const figure of row.querySelectorAll("figure")) {
        const image = figure.querySelector("img");
        image.hidden = !data.moments;
        if (!data.moments) continue;
        image.src = `/sets/${player.dataset.set}/at/${data.time}/${image.id}.jpg`;
        image.alt = `${data.name}, ${said[image.id]}`;
        figure.querySelector("figcaption").textContent = said[image.id];
      }
    }
    if (stills && player.dataset.set) {
      stills.hidden = Boolean(data.moments) || !data.strip;
      if (!stills.hidden) {
        const strip = document.getElementById("strip");
        strip.src = `/sets/${player.dataset.set}/shots/${data.strip}.jpg`;
        strip.alt = `Stills of ${data.name}, in order of time.`;
      }
    }
  };

  const open = () => {
    const data = work().dataset;
    moment = data.start === undefined ? null : {
      start: Number(data.start), end: Number(data.end),
      kick: Number(data.kick ?? data.start), line: Number(data.line ?? data.end),
      path: data.path ? data.path.split(" ") : [],
      box: data.box ? data.box.split(",").map(Number) : null,
    };
    pictures();
    if (!video) return;
    zoom();
    if (moment) again();
    else tell();
  };
  const again = () => {
    if (!video) return;
    if (moment) video.currentTime = moment.start;
    video.play().catch(() => {});
  };
  const playOrPause = () => (video.paused ? video.play().catch(() => {}) : video.pause());
  const slow = () => {
    video.playbackRate = video.playbackRate < 1 ? 1 : SLOW;
    toggle("slow", video.playbackRate < 1);
    tell();
  };
  const step = (frames) => {
    video.pause();
    video.currentTime = Math.max(0, video.currentTime + frames / Number(player.dataset.rate));
  };
  const zoomOrNot = () => { zoomed = !zoomed; toggle("zoom", zoomed); zoom(); tell(); };
  const showPath = () => {
    const off = gone?.classList.toggle("off");
    toCome?.classList.toggle("off", off);
    toggle("path", !off);
  };
  const takeTime = () => {
    video?.pause();
    document.getElementById("time").value = clock(video ? video.currentTime : 0);
  };
  const help = () => document.getElementById("help")?.showModal();

  const acts = {
    play: playOrPause, slow, again, path: showPath, zoom: zoomOrNot, time: takeTime, help,
    back: () => step(-1), on: () => step(1),
  };
  const needsClip = new Set(["play", "slow", "again", "path", "zoom", "back", "on"]);
  document.addEventListener("click", (event) => {
    const act = event.target.closest("[data-do]")?.dataset.do;
    if (act && (video || !needsClip.has(act))) acts[act]?.();
  });

  // Single keys act at once, wherever the focus is but in a field; they can be switched off in the
  // list of keys (WCAG 2.2, 2.1.4).
  const KEYS_OFF = "shoegoal-keys-off";
  const keysOn = document.getElementById("keys-on");
  if (keysOn) {
    keysOn.checked = localStorage.getItem(KEYS_OFF) === null;
    keysOn.addEventListener("change", () => {
      if (keysOn.checked) localStorage.removeItem(KEYS_OFF);
      else localStorage.setItem(KEYS_OFF, "1");
    });
  }
  const KEYS = { " ": "play", s: "slow", r: "again", p: "path", z: "zoom", ",": "back", ".": "on", "?": "help" };
  const FIELDS = "input:not([type=checkbox]), textarea, select";
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat && event.key === "Enter") return;
    const at = event.target;
    if (at.closest(FIELDS) || at.closest("dialog")) return;
    if (keysOn && !keysOn.checked && event.key !== "?") return;
    const pressed = event.key === " " || event.key === "Enter" ? at.closest("button, a, summary") : null;
    if (pressed) return; // the key presses what has the focus
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const act = KEYS[key];
    if (act) {
      if (!video && needsClip.has(act)) return;
      event.preventDefault();
      acts[act]();
      return;
    }
    const button = key === "Enter"
      ? document.querySelector("#sign:not(:disabled)")
      : document.querySelector(`#work [data-key="${CSS.escape(key.toUpperCase())}"]`);
    if (!button) return;
    event.preventDefault();
    button.click();
  });

  // After an answer: the next question is there, and its moment plays.
  document.body.addEventListener("htmx:afterSettle", () => {
    const line = player.querySelector(".goal");
    if (line && work().dataset.goal) {
      const [left, right] = work().dataset.goal.split(" ").map((place) => place.split(","));
      for (const [name, value] of [["x1", left[0]], ["y1", left[1]], ["x2", right[0]], ["y2", right[1]]]) {
        line.setAttribute(name, value);
      }
    }
    open();
    if (document.activeElement === document.body) work().querySelector(".said")?.focus({ preventScroll: true });
    work().querySelector("[role=alert]")?.scrollIntoView({ block: "nearest" });
  });

  if (video) {
    video.playbackRate = SLOW;
    video.addEventListener("loadedmetadata", () => { video.playbackRate = player.querySelector("[data-do=slow]")?.getAttribute("aria-pressed") === "false" ? 1 : SLOW; });
    video.addEventListener("timeupdate", () => {
      if (moment && !video.paused && video.currentTime >= moment.end - SETTLE_S) video.currentTime = moment.start;
      tell();
    });
    video.addEventListener("seeked", () => { tell(); draw(); });
    const paint = () => { draw(); requestAnimationFrame(paint); };
    requestAnimationFrame(paint);
    addEventListener("resize", zoom);
    const sayUnplayable = () => {
      screen.hidden = player.querySelector(".controls").hidden = true;
      document.getElementById("unplayable").hidden = false;
    };
    video.addEventListener("error", sayUnplayable);
    if (video.error) sayUnplayable(); // before this script was there
  }
  open();
})();
