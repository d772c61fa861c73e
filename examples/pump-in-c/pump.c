/*
 * A busy detector in C, without a library: busy while a cooling pump moves water, and for a while after.
 *
 * It exports the five functions of the contract (sdk/wit/v1/detector.wit) as the Component Model's canonical ABI lays them
 * out: https://github.com/WebAssembly/component-model/blob/main/design/mvp/CanonicalABI.md. Nothing is imported, so there
 * is no malloc, no strtod and no printf either. build.sh builds it.
 */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CONTRACT "idlegate:detector/busy-detector@1.0.0#"
#define EXPORT(name) __attribute__((export_name(CONTRACT name)))

/* ---- The contract's records, laid out as the ABI has them. ---- */

typedef struct { const char *at; uint32_t length; } Text;
typedef struct { Text name; uint8_t kind; Text unit; uint8_t needed; Text purpose; } Signal;
typedef struct { Text name, version, purpose; const Signal *signals; uint32_t count; Text schema; } Description;
typedef struct { uint32_t signal; uint64_t at; uint8_t kind; union { double number; Text text; } value; } Reading;
typedef struct { uint8_t refused; Text why; } Configured;
typedef struct {
    uint8_t verdict;
    Text reason;
    const Reading *evidence;
    uint32_t count;
    struct { uint8_t known; uint64_t at_least; } clears_in;
} Assessment;

_Static_assert(sizeof(Signal) == 32 && sizeof(Description) == 40, "the ABI's layout");
_Static_assert(sizeof(Reading) == 32 && offsetof(Reading, value) == 24, "the ABI's layout");
_Static_assert(sizeof(Assessment) == 40 && offsetof(Assessment, clears_in) == 24, "the ABI's layout");

enum { NUMBER = 0 };
enum { BUSY = 0, IDLE = 1, UNKNOWN = 2 };

#define TEXT(literal) { literal, sizeof(literal) - 1 }

/* ---- What the host passes in stays here until the call is over. ---- */

static char arena[65536] __attribute__((aligned(16)));
static size_t used;

__attribute__((export_name("cabi_realloc")))
void *cabi_realloc(void *old, size_t old_size, size_t align, size_t size) {
    size_t at = (used + align - 1) & ~(align - 1);
    if (size > sizeof(arena) || at > sizeof(arena) - size) __builtin_trap();
    char *fresh = arena + at;
    for (size_t i = 0; i < old_size && i < size; i++) fresh[i] = ((char *)old)[i];
    used = at + size;
    return fresh;
}

/* ---- The detector. ---- */

static double busy_flow;        /* litres a second */
static uint64_t dwell_ms;
static Reading latest;
static bool known, was_busy;
static uint64_t quiet_since;
static bool quiet;

static const Signal signals[] = {
    { TEXT("flow"), NUMBER, TEXT("l/s"), 1, TEXT("how much water the pump moves") },
};
static const Description description = {
    TEXT("pump"), TEXT("1.0.0"), TEXT("busy while the pump moves water, and for a while after"), signals, 1,
    TEXT("{\"type\":\"object\",\"additionalProperties\":false,\"required\":[\"busy_flow\"],\"properties\":{"
         "\"busy_flow\":{\"type\":\"number\",\"exclusiveMinimum\":0,\"description\":\"Busy above this flow, in litres a second.\"},"
         "\"dwell_s\":{\"type\":\"number\",\"minimum\":1,\"maximum\":86400,\"default\":60,"
         "\"description\":\"Idle only after this many seconds below that flow.\"}}}"),
};

EXPORT("describe") const Description *describe(void) { return &description; }

/* The number behind a key of a flat JSON object. The host has checked the object against the schema above. */
static bool number_of(const char *json, size_t length, const char *key, double *number) {
    size_t key_length = 0;
    while (key[key_length]) key_length++;
    for (size_t i = 0; i + key_length + 2 < length; i++) {
        size_t j = 0;
        if (json[i] != '"') continue;
        while (j < key_length && json[i + 1 + j] == key[j]) j++;
        if (j < key_length || json[i + 1 + j] != '"') continue;
        for (i += key_length + 2; i < length && (json[i] == ':' || json[i] == ' '); i++) {}
        double whole = 0, place = 1;
        bool digits = false, fraction = false;
        for (; i < length; i++) {
            if (json[i] == '.' && !fraction) { fraction = true; continue; }
            if (json[i] < '0' || json[i] > '9') break;
            digits = true;
            whole = whole * 10 + (json[i] - '0');
            if (fraction) place *= 10;
        }
        /* 1e-3 is JSON as well; better refused than misread. */
        if (!digits || (i < length && (json[i] == 'e' || json[i] == 'E'))) return false;
        *number = whole / place;
        return true;
    }
    return false;
}

EXPORT("configure") const Configured *configure(const char *json, size_t length) {
    static Configured configured;
    static const Configured refused = { 1, TEXT("busy_flow is not a plain number above zero, such as 0.05") };
    double seconds = 60;
    used = 0;
    if (!number_of(json, length, "busy_flow", &busy_flow) || busy_flow <= 0) return &refused;
    number_of(json, length, "dwell_s", &seconds);
    dwell_ms = (uint64_t)(seconds * 1000);
    known = was_busy = quiet = false;
    configured.refused = 0;
    return &configured;
}

EXPORT("observe") void observe(const Reading *readings, size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (readings[i].signal != 0 || readings[i].kind != NUMBER) continue;
        latest = readings[i];
        known = true;
        if (latest.value.number > busy_flow) {
            was_busy = true;
            quiet = false;
        } else if (!quiet) {
            quiet = true;
            quiet_since = latest.at;
        }
    }
    used = 0;
}

static char reason[96];
static size_t written;

static void say(const char *text) {
    while (*text && written < sizeof(reason)) reason[written++] = *text++;
}

/* Two places are enough for litres a second. */
static void say_number(double number) {
    char digits[24];
    size_t count = 0;
    uint64_t hundredths = (uint64_t)((number < 0 ? 0 : number > 1e12 ? 1e12 : number) * 100 + 0.5);
    for (uint64_t rest = hundredths / 100; rest || !count; rest /= 10) digits[count++] = '0' + rest % 10;
    while (count && written < sizeof(reason)) reason[written++] = digits[--count];
    char fraction[4] = { '.', '0' + hundredths / 10 % 10, '0' + hundredths % 10, 0 };
    if (hundredths % 100) say(fraction);
}

EXPORT("assess") const Assessment *assess(uint64_t now) {
    static Assessment said;
    written = 0;
    said = (Assessment){ .verdict = UNKNOWN, .evidence = &latest, .count = known };
    if (!known) {
        say("no flow yet");
    } else {
        say_number(latest.value.number);
        say(" l/s, busy above ");
        say_number(busy_flow);
        uint64_t quiet_for = now > quiet_since ? now - quiet_since : 0;
        if (!quiet) {
            said.verdict = BUSY;
        } else if (quiet_for >= dwell_ms) {
            said.verdict = IDLE;
        } else {
            /* Nobody knows what came before the first reading, so that is not called busy. */
            said.verdict = was_busy ? BUSY : UNKNOWN;
            said.clears_in.known = 1;
            said.clears_in.at_least = dwell_ms - quiet_for;
            say(", idle in ");
            say_number((said.clears_in.at_least + 999) / 1000);
            say(" s");
        }
    }
    said.reason = (Text){ reason, written };
    return &said;
}
