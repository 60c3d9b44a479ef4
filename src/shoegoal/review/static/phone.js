// Sends a clip in parts (tus 1.0) and goes on by itself after a lost connection or a closed page.
"use strict";
(() => {
  // A page that waits for the filming check looks again by itself.
  const state = document.getElementById("state");
  if (state) {
    const look = async () => {
      let shown = document.getElementById("state");
      if (!shown.dataset.again) return;
      try {
        const text = await (await fetch(location.href)).text();
        const page = new DOMParser().parseFromString(text, "text/html");
        const fresh = page.getElementById("state");
        if (fresh && fresh.innerHTML !== shown.innerHTML) {
          document.title = page.title;
          document.querySelector("main").replaceWith(page.querySelector("main"));
          shown = document.getElementById("state");
        }
      } catch { /* no connection: look again */ }
      setTimeout(look, 1500);
    };
    setTimeout(look, 1000);
  }

  const choose = document.getElementById("choose");
  if (!choose) return;
  const PART = 4 * 1024 * 1024;
  const AGAIN_MS = 3000;
  const ready = document.getElementById("ready");
  const rest = document.getElementById("rest");
  const sending = document.getElementById("sending");
  const bar = sending.querySelector("progress");
  const share = document.getElementById("share");
  const left = document.getElementById("left");
  const news = document.getElementById("news");
  const trouble = document.getElementById("trouble");
  const usual = news.textContent;
  let upload = null;
  let began = null;

  // The clip itself is kept by the browser until it has arrived, so that a page that was closed can
  // go on. Where there is no room for that, choosing the same clip again does the same.
  const shelf = (mode, act) => new Promise((done) => {
    const opening = indexedDB.open("shoegoal", 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore("clip");
    opening.onerror = () => done(null);
    opening.onsuccess = () => {
      try {
        const deal = opening.result.transaction("clip", mode);
        const asked = act(deal.objectStore("clip"));
        deal.oncomplete = () => { opening.result.close(); done(asked.result ?? null); };
        deal.onerror = deal.onabort = () => { opening.result.close(); done(null); };
      } catch { done(null); }
    };
  });
  const keep = (clip) => shelf("readwrite", (store) => store.put(clip, "now"));
  const kept = () => shelf("readonly", (store) => store.get("now"));
  const drop = () => shelf("readwrite", (store) => store.delete("now"));

  const show = (busy) => {
    ready.hidden = choose.hidden = rest.hidden = busy;
    sending.hidden = !busy;
  };
  const say = (words) => {
    trouble.textContent = words;
    trouble.hidden = !words;
    if (words) trouble.scrollIntoView({ block: "nearest" });
  };
  const megabytes = (bytes) => (bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0);

  const showSent = (sent, total) => {
    const percent = Math.floor((100 * sent) / total);
    bar.value = percent;
    share.textContent = `${percent} %`;
    const now = { at: performance.now(), sent };
    began ??= now;
    const rate = (now.sent - began.sent) / (now.at - began.at);
    const seconds = rate > 0 ? (total - sent) / rate / 1000 : 0;
    const wait = seconds < 1 ? "" : seconds < 90
      ? ` · about ${Math.ceil(seconds)} s left` : ` · about ${Math.ceil(seconds / 60)} min left`;
    left.textContent = `${megabytes(sent)} of ${megabytes(total)} MB${wait}`;
  };

  const send = async (file, stage, url = null) => {
    say("");
    show(true);
    began = null;
    showSent(0, file.size || 1);
    const preview = sending.querySelector("video");
    preview.src = `${URL.createObjectURL(file)}#t=0.5`;
    news.textContent = usual;
    upload = new tus.Upload(file, {
      endpoint: "/h/uploads",
      uploadUrl: url,
      onUploadUrlAvailable: () => keep({ file, stage, url: upload.url }),
      chunkSize: PART,
      retryDelays: [0, 1000],
      removeFingerprintOnSuccess: true,
      metadata: { filename: file.name || "clip.mp4", filetype: file.type || "", stage },
      onProgress: showSent,
      onSuccess: async () => {
        const place = upload.url.replace("/h/uploads/", "/h/clips/");
        await drop();
        location.assign(place);
      },
      onError: async (error) => {
        const answer = error.originalResponse;
        const status = answer?.getStatus() ?? 0;
        if (status >= 400 && status < 500 && ![408, 409, 423].includes(status)) {
          await drop();
          show(false);
          say(answer.getBody() || "The clip could not be taken.");
          return;
        }
        if (status === 507) say(answer.getBody());
        news.textContent = "No connection just now. It goes on by itself; nothing that arrived is lost.";
        began = null;
        setTimeout(() => upload?.start(), AGAIN_MS);
      },
    });
    const earlier = url ? [] : await upload.findPreviousUploads();
    if (earlier.length) upload.resumeFromPreviousUpload(earlier[0]);
    upload.start();
  };

  const take = async (input) => {
    const file = input.files[0];
    input.value = "";
    if (!file) return;
    show(true);
    const stage = choose.dataset.stage;
    await keep({ file, stage });
    send(file, stage);
  };
  const inputs = [document.getElementById("record"), document.getElementById("pick")];
  for (const input of inputs) input.addEventListener("change", () => take(input));
  document.getElementById("stop").addEventListener("click", async () => {
    const stopped = upload;
    upload = null;
    await stopped?.abort(true).catch(() => {});
    await drop();
    show(false);
  });
  addEventListener("online", () => { if (upload && !sending.hidden) upload.start(); });
  // On a slow phone a clip may be chosen before this script has arrived.
  const early = inputs.find((input) => input.files.length);
  if (early) take(early);
  else kept().then((clip) => { if (clip?.file) send(clip.file, clip.stage, clip.url); });
})();
