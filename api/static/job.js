// One photo on its way: sent, queued, measured step by step, and its verdict. Told by server-sent events.

import { say } from "./rest.js";

const STEPS = ["sent", "photo opened", "scale", "finding", "measuring", "edge condition", "done"];
const VERDICTS = { good: "good", rework: "rework", "measure by hand": "hand" };
const template = document.getElementById("job");

export class Job {
  constructor(list, name) {
    this.name = name;
    this.item = template.content.cloneNode(true).querySelector("li");
    this.part("name").textContent = name;
    this.stages = this.item.querySelector(".stages");
    this.stages.append(...STEPS.map(() => document.createElement("li")));
    list.prepend(this.item);
  }

  part(name) {
    return this.item.querySelector(`[data-${name}]`);
  }

  /** at: how many steps are done; told: the sentence; aloud: for the live region as well. */
  tell(told, at = 0, aloud = false) {
    this.part("told").textContent = told;
    [...this.stages.children].forEach((stage, index) => {
      stage.className = index < at ? "done" : index === at ? "now" : "";
    });
    if (aloud) say(`${this.name}: ${told}`);
  }

  word(kind, text) {
    const word = document.createElement("span");
    word.className = `word ${kind}`;
    const icon = { queued: "wait", measuring: "wait" }[kind] ?? kind;
    word.innerHTML = `<svg class="icon" aria-hidden="true" focusable="false"><use href="/static/icons.svg#${icon}"/></svg>`;
    word.append(text);
    this.part("word").replaceChildren(word);
  }

  /** Buttons and links under the sentence: [text, url | function]. */
  offer(...actions) {
    this.part("actions").replaceChildren(...actions.map(([text, what]) => {
      const shape = document.createElement(typeof what === "string" ? "a" : "button");
      shape.className = "button";
      shape.textContent = text;
      if (typeof what === "string") shape.href = what;
      else Object.assign(shape, { type: "button", onclick: what });
      return shape;
    }));
  }

  sending(share) {
    this.word("queued", "sending");
    this.tell(`Sending: ${Math.round(100 * share)} %.`);
  }

  /** What went wrong before the server had the photo. It stays in the list; again() sends it anew. */
  held(told, again) {
    this.word("failed", "not sent");
    this.tell(told, 0, true);
    this.stages.hidden = true;
    this.offer(["Send again", () => { this.stages.hidden = false; this.offer(); again(); }]);
  }

  /** Follows the photo on the server until it is measured or failed. */
  follow(id, onEnd = () => {}) {
    this.id = id;
    const events = new EventSource(`/api/v1/photos/${id}/events`);
    const heard = (event) => {
      const step = JSON.parse(event.data);
      this.show(step);
      if (step.state === "measured" || step.state === "failed") {
        events.close();
        onEnd(step);
      }
    };
    events.addEventListener("step", heard);
    events.addEventListener("error", () => {
      if (events.readyState !== EventSource.CLOSED) return; // it calls again by itself
      this.tell("The bench does not say how far it is. The photo is safe there.", 1, true);
      this.offer(["See the photo", `/photos/${id}`]);
    });
  }

  show(step) {
    if (step.state === "failed") return this.failed(step);
    if (step.state === "measured") return this.measured(step);
    if (step.state === "queued") {
      this.word("queued", "waiting");
      return this.tell(step.place_in_queue > 1 ? `In the queue: ${step.place_in_queue - 1} before it.` : "In the queue: next.", 1);
    }
    this.word("measuring", "measuring");
    const at = Math.max(1, STEPS.indexOf(step.step));
    this.tell(at > 1 ? `${step.step[0].toUpperCase()}${step.step.slice(1)}.` : "Opening the photo.", at, at === 2);
  }

  measured(step) {
    this.word(VERDICTS[step.verdict] ?? "good", step.verdict ?? "measured");
    this.tell("Measured.", STEPS.length);
    this.stages.hidden = true;
    this.offer(["See the result", `/photos/${this.id}`]);
    say(`${this.name}: ${step.verdict ?? "measured"}`);
  }

  failed(step) {
    this.word("failed", "failed");
    this.tell(step.error ?? "The photo could not be measured.", 1, true);
    this.stages.hidden = true;
    this.offer(["What to do", `/photos/${this.id}`]);
  }
}
