// All browser tests, in one process: they share a browser and a sign-in, which works once.
//
// TAPKEEPER_URL      where the server is
// TAPKEEPER_SIGN_IN  a one-time sign-in link of a person who may at least view
// DATABASE_URL       the database behind it
// SCREENSHOTS        where pictures go; docs/screenshots unless told otherwise
import { after } from 'node:test';
import { close } from './support.mjs';

await import('./board.mjs');
await import('./live.mjs');
await import('./site.mjs');
await import('./pages.mjs');
await import('./desk.mjs');
await import('./oncall.mjs');
await import('./access.mjs');
await import('./narrow.mjs');
await import('./screenshots.mjs');

after(close);
