// Files on their way to the service: chosen or dropped, sent one after the other, each with what came of it.

import { remembered } from "./name.js";
import { counted, element } from "./words.js";

const MB = 1 << 20;

export class Upload {
  constructor({ form, files, kind, trim, send, list, said, came }) {
    Object.assign(this, { form, files, kind, trim, send, list, said, came });
    this.waiting = [];
    this.busy = false;
    files.addEventListener("change", () => {
      this.take(files.files);
      files.value = "";
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.#sendAll();
    });
    let depth = 0;
    const over = (by) => {
      depth = Math.max(0, depth + by);
      form.classList.toggle("over", depth > 0);
    };
    form.addEventListener("dragenter", () => over(1));
    form.addEventListener("dragleave", () => over(-1));
    form.addEventListener("drop", () => over(-depth));
    // A file that misses the field must not take the page's place.
    addEventListener("dragover", (event) => event.preventDefault());
    addEventListener("drop", (event) => {
      event.preventDefault();
      if (event.dataTransfer?.files.length) this.take(event.dataTransfer.files);
    });
    addEventListener("beforeunload", (event) => {
      if (this.busy) event.preventDefault();
    });
  }

  take(files) {
    for (const file of files) {
      const state = element("p", { class: "sending-state", role: "status" }, "Waits for Add");
      const bar = element("progress", { max: "1", value: "0", "aria-label": `Sending ${file.name}`, hidden: true });
      const leave = element("button", { type: "button", class: "plain", "aria-label": `Leave out ${file.name}` }, "Leave out");
      const row = element("li", {}, element("b", { class: "file" }, file.name), state, bar, leave);
      const one = { file, row, state, bar, leave };
      leave.addEventListener("click", () => {
        const at = this.waiting.indexOf(one);
        if (at >= 0) this.waiting.splice(at, 1);
        row.remove();
        this.#count();
      });
      this.list.append(row);
      const most = Number(this.form.dataset.limitMb) - 1; // the form around it takes a little
      if (file.size > most * MB) {
        this.#refuse(one, `Not added: is ${Math.ceil(file.size / MB)} MB, allowed are ${most} MB`);
        continue;
      }
      this.waiting.push(one);
    }
    this.#count();
    if (!this.busy && this.waiting.length) this.send.focus();
  }

  #refuse({ row, state, bar, leave }, why) {
    row.className = "bad";
    state.textContent = why;
    bar.remove();
    leave.remove();
  }

  #count() {
    const many = this.waiting.length;
    this.send.disabled = many === 0 || this.busy;
    this.send.textContent = many ? `Add ${counted(many, "file", "files")}` : "Add";
  }

  async #sendAll() {
    if (this.busy) return;
    this.busy = true;
    let taken = 0;
    let refused = 0;
    this.said.textContent = "";
    const how = { kind: this.kind.value, trim: this.trim.checked };
    while (this.waiting.length) {
      const one = this.waiting.shift();
      this.#count();
      const clip = await this.#sendOne(one, how);
      if (clip === null) refused += 1;
      else taken += 1;
      this.came();
    }
    this.busy = false;
    this.#count();
    const not = refused ? `, ${counted(refused, "file", "files")} not: the reason stands beside each` : "";
    this.said.textContent = `${counted(taken, "clip", "clips")} added${not}.`;
  }

  #sendOne({ file, row, state, bar, leave }, { kind, trim }) {
    leave.remove();
    bar.hidden = false;
    state.textContent = "Sending";
    const form = new FormData();
    form.append("file", file);
    form.append("kind", kind);
    form.append("trim", trim ? "true" : "false");
    if (remembered()) form.append("by", remembered());
    const asked = new XMLHttpRequest();
    asked.responseType = "json";
    asked.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = event.loaded / event.total;
    };
    asked.upload.onload = () => {
      bar.removeAttribute("value");
      state.textContent = "Sent, now measured";
    };
    return new Promise((done) => {
      const refuse = (why) => {
        this.#refuse({ row, state, bar, leave }, why);
        done(null);
      };
      asked.onload = () => {
        if (asked.status !== 201) {
          refuse(`Not added: ${asked.response?.detail ?? `the service answered ${asked.status}`}`);
          return;
        }
        row.className = "good";
        state.textContent = `Added as ${asked.response.id}. ${asked.response.sentence}`;
        bar.remove();
        done(asked.response);
      };
      asked.onerror = () => refuse("Not added: the service did not answer, or broke the sending off. Is the connection there?");
      asked.open("POST", "/api/clips");
      asked.send(form);
    });
  }
}
