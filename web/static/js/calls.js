// The calls by hand: one press, one answer. Shows where before the press, and what came of it after.

import { remember, remembered } from "./name.js";
import { ask } from "./service.js";
import { element, listed } from "./words.js";

export class Calls {
  constructor({ place, by, confirm, fired }) {
    Object.assign(this, { place, by, confirm, fired });
    this.cards = new Map();
    this.by.value = remembered();
    this.by.addEventListener("change", () => remember(this.by.value.trim()));
  }

  get name() {
    const text = this.by.value.trim();
    return text === "" ? null : text;
  }

  show(rules, zones) {
    const manual = rules.filter((rule) => rule.kind === "manual");
    if (!manual.length && !this.cards.size) {
      this.place.replaceChildren(element("p", { class: "teach" }, "No rule is fired by hand. A rule of the venue file with neither fixed nor interval times appears here as a button."));
      return;
    }
    const ids = new Set(manual.map((rule) => rule.id));
    for (const [id, card] of this.cards) {
      if (ids.has(id)) continue;
      card.box.remove();
      this.cards.delete(id);
    }
    for (const rule of manual) {
      let card = this.cards.get(rule.id);
      if (card === undefined) {
        card = this.#card(rule);
        this.cards.set(rule.id, card);
        this.place.append(card.box);
      }
      this.#update(card, rule, zones);
    }
  }

  #card(rule) {
    const title = element("b", {});
    const where = element("span", { class: "where" });
    const button = element("button", { type: "button", class: "call", "data-rule": rule.id }, title, where);
    const said = element("p", { class: "said-back", role: "status" });
    const card = { box: element("div", { class: "call-box" }, button, said), button, title, where, said, rule };
    button.addEventListener("click", () => this.#press(card));
    return card;
  }

  #update(card, rule, zones) {
    card.rule = rule;
    card.title.textContent = rule.title;
    const all = zones.length > 2 && rule.where.length === zones.length;
    const sounding = rule.sounding.length > 0;
    card.where.textContent = `${sounding ? "Sounding now in " : ""}${all ? `all ${zones.length} zones` : listed(rule.where)}`;
    card.button.classList.toggle("sounding", sounding);
  }

  async #press(card) {
    const { rule } = card;
    if (rule.sounding.length && !(await this.confirm(`${rule.title} is sounding`, "Play it once more? It asks for its zones again as soon as you say so.", "Play it again"))) return;
    card.button.disabled = true;
    card.said.textContent = "Asking";
    card.said.className = "said-back";
    try {
      const body = this.name === null ? {} : { by: this.name };
      const answer = await ask(`/api/rules/${encodeURIComponent(rule.id)}/fire`, { method: "POST", body });
      card.said.textContent = answer.sentence;
      card.said.classList.add("good");
      this.fired();
    } catch (problem) {
      card.said.textContent = `Not played: ${problem.message}`;
      card.said.classList.add("bad");
    } finally {
      card.button.disabled = false;
      card.button.focus({ preventScroll: true });
    }
  }
}
