// Plays a shot's snippet over and over, slowly or frame by frame, with its path drawn over it.
// Without this script every form on the page still works.
"use strict";
(() => {
  const player = document.getElementById("player");
  if (!player) return;
  const video = player.querySelector("video");
  const path = player.querySelector(".path");
  const screen = player.querySelector(".screen");
  const now = document.getElementById("now");
  const strip = document.getElementById("strip");
  const stills = document.getElementById("stills");
  const verdicts = document.getElementById("verdicts");
  const SLOW = 0.25;
  let snippet = null;

  const toggle = (what, on) =>
    player.querySelector(`[data-do=${what}]`)?.setAttribute("aria-pressed", String(on));

  const clock = (seconds) => {
    const hundredths = Math.round(seconds * 100);
    const rest = hundredths % 6000;
    const part = (n) => String(n).padStart(2, "0");
    return `${Math.floor(hundredths / 6000)}:${part(Math.floor(rest / 100))}.${part(rest % 100)}`;
  };

  const watch = (button) => {
    const data = button.dataset;
    const answers = (data.answers ?? "").trim().split(" ");
    snippet = { start: Number(data.start), end: Number(data.end), number: data.number, answers };
    now.textContent = data.number
      ? `${data.name}: ${data.moment} ${clock(Number(data.kick))}.`
      : `Look closely from ${data.words}.`;
    if (stills) stills.hidden = data.strip !== "yes";
    if (stills && !stills.hidden) {
      strip.src = `${player.dataset.strips}${data.number}.jpg`;
      strip.alt = `Stills of ${data.name}, in order of time.`;
    }
    if (verdicts) {
      verdicts.hidden = !data.number;
      for (const answer of verdicts.children) {
        answer.setAttribute("aria-label", `${data.name}: ${answer.textContent}`);
        answer.hidden = !answers.includes(answer.dataset.answer);
      }
    }
    if (video) {
      path?.setAttribute("points", data.path);
      again();
    }
    player.focus();
  };

  const again = () => {
    if (snippet) video.currentTime = snippet.start;
    video.play().catch(() => {});
  };
  const slow = () => {
    const on = video.playbackRate === 1;
    video.playbackRate = on ? SLOW : 1;
    toggle("slow", on);
  };
  const step = (frames) => {
    video.pause();
    video.currentTime = Math.max(0, video.currentTime + frames / Number(player.dataset.rate));
  };
  const showPath = () => path && toggle("path", !path.classList.toggle("off"));
  // Answers go through the shot's own form, remark included.
  const answer = (value) => {
    if (!snippet?.number) return;
    const form = document.querySelector(`#work input[name=shot][value="${snippet.number}"]`)?.form;
    form?.querySelector(`button[name=answer][value="${value}"]`)?.click();
  };
  const playOrPause = () => (video.paused ? video.play().catch(() => {}) : video.pause());
  const takeTime = () => {
    document.getElementById("time").value = clock(video ? video.currentTime : 0);
  };

  const point = () => {
    const chosen = document.querySelector("input[name=side]:checked");
    now.textContent = chosen
      ? `Point at the inner foot of the ${chosen.value} marker.`
      : "Choose a marker first.";
    if (!chosen) return;
    video.pause();
    screen.classList.add("pointing");
    screen.scrollIntoView({ block: "center" });
  };

  const pointed = (event) => {
    const drawing = screen.querySelector("svg");
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(
      drawing.getScreenCTM().inverse(),
    );
    document.getElementById("x").value = at.x.toFixed(1);
    document.getElementById("y").value = at.y.toFixed(1);
    screen.classList.remove("pointing");
    now.textContent = "Place taken; send it below.";
    document.getElementById("x").focus();
  };

  const acts = {
    play: playOrPause, slow, again, point, path: showPath, time: takeTime,
    back: () => step(-1), on: () => step(1),
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.classList.contains("watch")) watch(button);
    else if (button.dataset.answer) answer(button.dataset.answer);
    else if (acts[button.dataset.do]) acts[button.dataset.do]();
  });

  // After a change: the goal may have moved, and the button that was pressed is gone.
  document.body.addEventListener("htmx:afterSettle", () => {
    const work = document.getElementById("work");
    const line = player.querySelector(".goal");
    if (line && work.dataset.goal) {
      const [left, right] = work.dataset.goal.split(" ").map((place) => place.split(","));
      for (const [name, value] of [["x1", left[0]], ["y1", left[1]], ["x2", right[0]], ["y2", right[1]]]) {
        line.setAttribute(name, value);
      }
    }
    if (verdicts && !work.querySelector("button[name=answer]")) verdicts.remove();
    if (document.activeElement === document.body) work.querySelector(".said")?.focus();
    work.querySelector("[role=alert]")?.scrollIntoView({ block: "nearest" });
  });
  if (!video) return;

  // Single keys act only while the player has the focus (WCAG 2.2, 2.1.4).
  const keys = {
    " ": playOrPause, s: slow, r: again, p: showPath, ",": acts.back, ".": acts.on,
    m: () => answer(snippet?.answers[0]), x: () => answer(snippet?.answers[1]),
    n: () => answer(snippet?.answers[2]), t: () => answer(snippet?.answers[3]),
  };
  player.addEventListener("keydown", (event) => {
    const act = keys[event.key.toLowerCase()];
    if (!act || event.target !== player || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  video.addEventListener("timeupdate", () => {
    if (snippet && !video.paused && video.currentTime >= snippet.end) {
      video.currentTime = snippet.start;
    }
  });
  screen.querySelector("svg")?.addEventListener("click", (event) => {
    if (screen.classList.contains("pointing")) pointed(event);
  });
})();
