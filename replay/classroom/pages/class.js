// Shared by the pages of a class.
"use strict";

// send posts a form and returns the response, or nothing when there was none.
async function send(address, fields) {
  try {
    return await fetch(address, {method: "POST", body: new URLSearchParams(fields), cache: "no-store"});
  } catch (gone) {
    return undefined;
  }
}

const pause = ms => new Promise(wake => setTimeout(wake, ms));
