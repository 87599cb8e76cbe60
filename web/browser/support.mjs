// What every browser test needs: a browser that is signed in, a page that keeps count of its own faults, the database.
import assert from 'node:assert/strict';
import { chromium } from 'playwright-core';
import pg from 'pg';

function wanted(name) {
  const value = process.env[name];
  if (!value) throw new Error(`${name} is not set: see browser/index.test.mjs`);
  return value;
}

export const url = wanted('TAPKEEPER_URL').replace(/\/$/, '');

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});

/** `postgres:///name?host=/socket/folder&user=me` as the client library takes it. */
function database(text) {
  const address = new URL(text.replace(/^postgres(ql)?:\/\/\//, 'postgres://local/'));
  const host = address.searchParams.get('host') ?? address.hostname;
  return {
    host,
    port: Number(address.port || address.searchParams.get('port') || 5432),
    database: address.pathname.slice(1),
    user: address.searchParams.get('user') ?? decodeURIComponent(address.username),
    password: decodeURIComponent(address.password) || address.searchParams.get('password') || undefined,
  };
}

const client = new pg.Client(database(wanted('DATABASE_URL')));
await client.connect();

/** Rows of a query. */
export async function sql(text, values = []) {
  return (await client.query(text, values)).rows;
}

const state = await signIn();

async function signIn() {
  const context = await browser.newContext();
  const page = await context.newPage();
  await page.goto(new URL(wanted('TAPKEEPER_SIGN_IN'), url).href);
  await Promise.all([page.waitForURL((at) => !at.pathname.startsWith('/sign-in')), page.locator('main form button').first().click()]);
  const kept = await context.storageState();
  await context.close();
  return kept;
}

/**
 * Opens a page, hands it to a test, and fails the test when the page had faults of its own: errors on the console,
 * scripts that threw, content that the security policy refused, requests to another host. With `refusals`, the server may
 * answer that it refuses, which the browser notes as an error.
 */
export async function withPage(options, use, { refusals = false } = {}) {
  const context = await browser.newContext({ storageState: state, viewport: { width: 1280, height: 900 }, baseURL: url, ...options });
  const faults = [];
  const page = await context.newPage();
  page.on('console', (message) => {
    const refused = refusals && message.text().startsWith('Failed to load resource');
    if (message.type() === 'error' && !refused) faults.push(`console: ${message.text()}`);
  });
  page.on('pageerror', (error) => faults.push(`script: ${error.message}`));
  page.on('request', (request) => {
    if (!request.url().startsWith(url) && !request.url().startsWith('data:')) faults.push(`foreign request: ${request.url()}`);
  });
  if (options.javaScriptEnabled !== false) {
    await page.addInitScript(() => {
      window.refused = [];
      document.addEventListener('securitypolicyviolation', (event) => window.refused.push(`${event.violatedDirective} ${event.blockedURI}`));
    });
  }
  try {
    await use(page);
    if (options.javaScriptEnabled !== false) assert.deepEqual(await page.evaluate(() => window.refused), [], 'refused by the security policy');
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
  }
}

/** Waits until a question about the page is answered with yes. */
export async function until(page, question, argument, timeout = 15_000) {
  await page.waitForFunction(question, argument, { timeout });
}

/** A site whose regulators have readings, with an alarm if there is one. */
export async function someSite() {
  const [site] = await sql(
    `select s.id, s.name from site s join bank b on b.site_id = s.id join regulator r on r.bank_id = b.id
      where r.retired_at is null and exists (select 1 from reading where regulator_id = r.id and measured_at > now() - interval '1 hour')
      order by exists (select 1 from alarm a where a.regulator_id = r.id and returned_at is null) desc, r.id limit 1`,
  );
  assert.ok(site, 'the database has a site with recent readings');
  return site;
}

/** A regulator of a site, with its feeder. */
export async function unitOf(site) {
  const [unit] = await sql(
    'select r.id, s.feeder_id from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id where s.id = $1 and r.retired_at is null order by r.id limit 1',
    [site.id],
  );
  return unit;
}

/** An alarm to look at: one of a regulator, open if there is one, with much to tell. */
export async function someAlarm() {
  const [alarm] = await sql(
    `select id from alarm where regulator_id is not null
      order by condition = 'reverse_power' desc, returned_at is null desc, raised_at desc, id desc limit 1`,
  );
  return alarm ?? null;
}

export async function close() {
  await browser.close();
  await client.end();
}
