// Every option of the program, in one place: the parser's header takes seconds to compile.
#include "offline/commands/command_line.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/util/version.h"
#include "settings/settings_json.h"
#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>

namespace kitfold::offline {
namespace {

void add_json_flag(CLI::App& command, bool& json) {
    command.add_flag("--json", json, "Print one JSON object on stdout and nothing else");
}

CLI::Option* add_session(CLI::App& command, std::string& session) {
    return command.add_option("SESSION", session, "A session file, or the folder that holds a session.json");
}

void add_range(CLI::App& command, RangeOptions& range,
               const std::string& what =
                   "Take only what comes after this, 1:05, 1:02:05 or 65.5; otherwise as "
                   "the session says") {
    command.add_option("--from", range.from, what);
    command.add_option("--to", range.to, "... and before this");
}

void add_demo(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<DemoOptions>();
    const auto tone = std::make_shared<std::string>("open");
    auto& kit = options->request.kit;
    kit.lifelike = kit.turned_cable = true; // no easier than life, and with something to find
    kit.seed = 2;
    auto* demo =
        app.add_subcommand("demo", "Make an invented multi-mic recording of a drum kit to try everything on");
    demo->footer("Example:\n  kitfold demo takes/demo\n  kitfold check takes/demo\n"
                 "The same seed gives the same recording; --tone deadened plays it again on damped drums.");
    demo->add_option("DIR", options->request.folder, "Folder for the recording; made when it is not there")
        ->required();
    demo->add_option("--tone", *tone, "open: drums as they came; deadened: blankets on them")
        ->check(CLI::IsMember({"open", "deadened"}))
        ->capture_default_str();
    demo->add_option("--mics", kit.mics, "8 or 10; eight leave out hi-hat and room")
        ->check(CLI::IsMember({8, 10}))
        ->capture_default_str();
    demo->add_option("--seconds", kit.seconds, "Length, 0.2 to 3600")
        ->check(CLI::Range(0.2, 3600.0))
        ->capture_default_str();
    demo->add_option("--rate", kit.rate_hz, "Sample rate in Hz: 44100, 48000, 88200, 96000 …, 8000 to 192000")
        ->check(CLI::Range(8'000, 192'000))
        ->capture_default_str();
    demo->add_option("--seed", kit.seed, "Another number, another take and another set-up of the kit")
        ->check(CLI::NonNegativeNumber)
        ->capture_default_str();
    add_json_flag(*demo, options->json);
    demo->callback([options, tone, &exit] {
        options->request.kit.tone = *tone == "open" ? dsp::Tone::open : dsp::Tone::deadened;
        exit = demo_command(*options);
    });
}

void add_new(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<NewOptions>();
    auto* command =
        app.add_subcommand("new", "Make a session.json for a folder of recordings, one file per mic");
    command->add_option("DIR", options->folder, "Folder of WAV, AIFF or FLAC files")->required();
    command
        ->add_option(
            "--role", options->roles,
            "FILE=ROLE: what a file is, where its name doesn't tell; two roles with a comma between for "
            "a two-channel file. May be given once for each file")
        ->take_all();
    command->add_option("-o,--output", options->output,
                        "Another session of the same recordings, in the same folder, such as song2.json");
    add_range(*command, options->range,
              "Of a longer recording, only what comes after this: the session remembers it");
    command->add_option("--like", options->like,
                        "A session of the same set-up: take its roles and its sound, levels included");
    add_json_flag(*command, options->json);
    command->footer(
        "Roles are guessed from the file names (\"KIK IN\", \"SN top\", \"RT1\", \"OH L\" …) and "
        "each guess is shown.\n"
        "Where a name tells nothing (\"Track 01.wav\") the sound is asked: which drum a mic is close to, or "
        "how far "
        "from the kit it stands, and how sure that is. Names and --role go before it.\n"
        "The audio is only read; a session that is there is never overwritten. Files that Kitfold "
        "itself bounced are left out.\n"
        "Examples:\n  kitfold new takes/monday\n"
        "  kitfold new takes/monday --role \"Track 01.wav=kick_in\" --role "
        "OH.wav=overhead_left,overhead_right\n"
        "  kitfold new takes/monday -o takes/monday/song2.json --from 4:10 --to 7:55\n"
        "  kitfold check takes/monday/song2.json");
    command->callback([options, &exit] { exit = new_command(*options); });
}

void add_check(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<CheckOptions>();
    CLI::App* command = app.add_subcommand("check", "Find out whether the mics of a session work together");
    add_session(*command, options->session)->required();
    add_range(*command, options->range);
    command->add_option("--report", options->report, "Also write a page to look at: one HTML file");
    command->add_option("--against", options->against,
                        "Another take of the same set-up: also tell what has changed since");
    command->add_flag("--apply", options->apply,
                      "Write polarity, delay, bleed, the thresholds of gates and the balance into the "
                      "session; the old file is kept");
    auto* details =
        command->add_flag("--details", options->details,
                          "Print all that was found and every table: pairs, bleed, ring, image, gates");
    command->add_flag("-q,--quiet", options->quiet, "Print the verdict alone, one line")->excludes(details);
    add_json_flag(*command, options->json);
    command->footer(
        "Ends with 0 when there is nothing to fix, with 1 when there is.\n"
        "Record a two-minute test take: every drum alone a few times, loud and soft, each left to ring out, "
        "then a\n"
        "groove. A flip or a delay is proposed only when it raised what is heard, on strokes it was not "
        "chosen on; a\n"
        "mic that is wired upside down but sums no better when turned is a note. Mics under each other's "
        "name are\n"
        "told, and nothing is written until they are put right.\n"
        "A drum's ring is that of its first 10 dB, on its own hard strokes, as the time to fall by 60 dB; "
        "six single\n"
        "strokes left to ring out make it sure.\n"
        "Gates: --apply adds none. One that is there gets \"key\": \"kit\" (what the other mics explain of "
        "its mic is\n"
        "taken off its key, so that a soft tom opens it and a hard snare does not) and a threshold between "
        "the softest\n"
        "own hit and the loudest bleed; once set, both are yours. Learn again when a mic has moved. It still "
        "fails\n"
        "where nothing tells a hit from bleed: a ghost note right under a kick, a tom mic as loud with "
        "cymbals as with\n"
        "its drum. --details shows the margin; a few dB are no margin.\n"
        "Examples:\n  kitfold check takes/monday --report check.html\n  kitfold check takes/monday --apply");
    command->callback([options, &exit] { exit = check_command(*options); });
}

void add_bounce(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<BounceOptions>();
    CLI::App* command = app.add_subcommand("bounce", "Mix a session to a stereo file");
    add_session(*command, options->session)->required();
    command->add_option("-o,--output", options->output, "The stereo file to write: .wav or .flac")
        ->required();
    add_range(*command, options->range);
    auto* stems = command->add_option("--stems", options->stems,
                                      "Also write each mic into this folder, in stereo as it is in the "
                                      "submix: they add up to it before the "
                                      "bus and the output level");
    command
        ->add_flag("--dry-stems", options->dry_stems,
                   "... each mic in mono after its strip instead, before level and pan")
        ->needs(stems);
    command->add_flag("--force", options->force,
                      "Also over a submix of another session, or one whose recall sheet is gone");
    command->add_option("--rate", options->rate_hz, "Convert files of another rate to this one, in Hz")
        ->check(CLI::Range(8'000, 384'000));
    command
        ->add_option(
            "--loudness", options->loudness_lufs,
            "Set the output level so that the file comes to this loudness, in LUFS, or as near as the "
            "peak allows")
        ->check(CLI::Range(-60.0, 0.0));
    command
        ->add_option("--peak", options->peak_dbtp,
                     "The highest true peak, in dBTP (-1 with --loudness); alone: the level that reaches it")
        ->check(CLI::Range(-60.0, 0.0));
    add_json_flag(*command, options->json);
    command->footer(
        "With --from and --to the file is that of recordings cut there first: filters, gates and bus begin "
        "in "
        "silence.\n"
        "Beside it a recall sheet: every setting and a digest of every file (XXH128; xxh128sum tells whether "
        "a file is\n"
        "still the same), as a page to print and as JSON. Loudness and peak are reached by the output level "
        "alone,\n"
        "never by clipping; what can't be reached together is said.\n"
        "\"bleed_reduction_db\": 12 beside a close mic's level takes what the other mics explain of it down "
        "by up to\n"
        "12 dB, under the drum's own hits as well, where a gate can't: for a snare mic full of hi-hat, or a "
        "tom that\n"
        "can't be gated. The bounce then takes about four times as long. Start at 6 to 12 dB and listen in "
        "solo: what\n"
        "is left can sound watery, and a ghost note may lose some of its top. A mic moved away beats it.\n"
        "Examples:\n  kitfold bounce takes/monday -o drums.wav\n"
        "  kitfold bounce takes/monday -o drums.wav --loudness -16 --stems takes/monday/stems");
    command->callback([options, &exit] { exit = bounce_command(*options); });
}

void add_balance(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<BalanceOptions>();
    auto* command = app.add_subcommand("balance", "Set the levels of a session from what its drums measure");
    add_session(*command, options->session)->required();
    add_range(*command, options->range);
    auto* target = command->add_option("--balance", options->balance,
                                       "What it is to come to: a balance preset, or a file like one");
    auto* side =
        command->add_option("--side", options->side, "Left and right as seen by: drummer or listener");
    command
        ->add_option("--like", options->like,
                     "Instead of measuring: as another session of the same set-up has it, with its fixes, "
                     "filters, gates, bus and output level, so that takes can be cut together")
        ->excludes(target)
        ->excludes(side);
    command->add_flag("--apply", options->apply, "Write it into the session; the old file is kept");
    add_json_flag(*command, options->json);
    command->footer(
        "The level of every strip from the loudness of each drum's own strokes over all mics that hear it, "
        "pans, the\n"
        "bus threshold (its loudest stroke loses 4 dB) and an output level of -16 LUFS or -1 dBTP, whichever "
        "comes\n"
        "first. No strip goes over +12 or under -30 dB; silent and faulty mics are left alone.\n"
        "A level, pan, threshold or output that you have set stays. To hand a level back, take level_db and\n"
        "balanced_db of that mic out of the session.\n"
        "Examples:\n  kitfold balance takes/monday\n"
        "  kitfold balance takes/monday --balance balance_kit --apply");
    command->callback([options, &exit] { exit = balance_command(*options); });
}

void add_audition(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<AuditionOptions>();
    CLI::App* command = app.add_subcommand("audition", "Hear a drum open and deadened at the same loudness");
    add_session(*command, options->session);
    command->add_option("--open", options->open, "Instead: a take of the drum as it is");
    command->add_option("--deadened", options->deadened, "... and one of it really deadened");
    command->add_option("--role", options->role, "The close mic to listen to, such as snare_top")->required();
    add_range(*command, options->range);
    auto* amount = command->add_option("--amount", options->amount,
                                       "How far: 1 deadened, 0 as recorded, below 0 opened up");
    amount->check(CLI::Range(-1.0, 1.0));
    command->add_option("-o,--output", options->folder, "Folder for four WAVs and the page to compare them")
        ->required();
    command->footer(
        "A time with a question mark is rough; six single strokes, each left to ring out, make it sure. "
        "Where\n"
        "nothing would be shortened, it refuses and says what to record. Below 0 opens the drum up as far "
        "as\n"
        "the noise of the recording allows. --json prints the damp block to paste into the session. Weak\n"
        "rings beside a strong one may stay a little long. The page starts at -30 dB: set your volume low.\n"
        "Examples:\n  kitfold audition takes/monday --role floor_tom -o hear\n"
        "  kitfold audition --open takes/open --deadened takes/felt --role snare_top -o hear");
    add_json_flag(*command, options->json);
    command->callback([options, &exit] { exit = audition_command(*options); });
}

void add_live(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<LiveOptions>();
    auto* command = app.add_subcommand("live", "Fold the mics down while the drummer plays, through JACK");
    add_session(*command, options->session)->required();
    command->add_option("--record", options->record,
                        "Record every mic and the two tracks, each take in a folder of its own in this one");
    command->add_option("--bits", options->bits, "Of what is recorded: 32 (float) or 24")
        ->check(CLI::IsMember({24, 32}))
        ->capture_default_str();
    command
        ->add_option(
            "--monitor", options->monitor,
            "wet: listen to the two tracks; dry: to the plain sum of the mics, on outputs of its own")
        ->check(CLI::IsMember({"wet", "dry"}))
        ->capture_default_str();
    command->add_flag(
        "--connect", options->connect,
        "Join the hardware's inputs to the mics in their order, and what is listened to with playback");
    command->add_flag("--check", options->check, "Check each take when it is whole, and show the verdict");
    command->add_flag("--learn", options->learn,
                      "Soundcheck: after each take write its fixes and gates into the session; levels stay");
    command->footer(
        "Ports: an input named after each mic, cue_left and cue_right for the song or a click (heard, never\n"
        "recorded), outputs left and right, and dry_left and dry_right with --monitor dry.\n"
        "Keys: Enter begins a new take, m sets a marker, q stops. Save the session.json and the sound glides "
        "to it.\n"
        "Soundcheck: with --learn go round the kit, drum by drum. A line for each mic shows the strokes of "
        "its "
        "drum,\nhow far to turn the preamp (! clipped), the gate's threshold that was learned, and when it "
        "hears the drum\nagainst its partner, turned where it is upside down.\n"
        "Hearing: turn the headphones down before you start, and never listen on loudspeakers in the room "
        "of\n"
        "the mics: they feed back. The outputs come in from -20 dB within a second; what you set afterwards "
        "is yours.\n"
        "Example:\n  jackd -d alsa -r 48000 -p 64 &\n  kitfold live takes/monday --connect --record "
        "takes/monday/live");
    command->add_flag("--json", options->json, "Print a JSON object a second, and one per message");
    command->callback([options, &exit] { exit = live_command(*options); });
}

void add_presets(CLI::App& app, Exit& exit) {
    const auto options = std::make_shared<PresetsOptions>();
    auto* presets =
        app.add_subcommand("presets", "List the presets and kits that come with Kitfold, or show one");
    presets->require_subcommand(0, 1);
    presets->footer("Examples:\n  kitfold presets list\n  kitfold presets show kick_out_thump\n"
                    "KITFOLD_PRESETS names a folder of presets to use in place of Kitfold's own.");
    add_json_flag(*presets, options->json);
    presets->callback([presets, options, &exit] {
        if (presets->get_subcommands().empty()) exit = list_presets_command(*options);
    });
    auto* lister = presets->add_subcommand("list", "Every preset: its block, name and title");
    add_json_flag(*lister, options->json);
    lister->callback([options, &exit] { exit = list_presets_command(*options); });
    auto* shower = presets->add_subcommand("show", "One preset: its settings in words and as JSON");
    shower->add_option("NAME", options->name, "A name that list shows")->required();
    add_json_flag(*shower, options->json);
    shower->callback([options, &exit] { exit = show_preset_command(*options); });
    auto* table =
        presets->add_subcommand("parameters", "Every number of a session: range, default and what it does");
    add_json_flag(*table, options->json);
    table->callback([options, &exit] { exit = list_parameters_command(*options); });
}

std::string names(const std::vector<const CLI::App*>& commands) {
    std::string out;
    for (const auto* command : commands) out += (out.empty() ? "" : ", ") + command->get_name();
    return out;
}

Error unknown_command(const std::string& typed, const std::vector<const CLI::App*>& commands) {
    const auto all = names(commands);
    std::vector<std::string> known;
    for (const auto* command : commands) known.push_back(command->get_name());
    const std::vector<std::string_view> views(known.begin(), known.end());
    const auto nearest = dsp::nearest_of(typed, views);
    return bad_input(
        "\"" + typed + "\" is not a command; " +
        (nearest.empty() ? "the commands are " + all : "did you mean " + std::string(nearest) + "?"));
}

/// What the parser has to say, in one line and in the words of a person.
Error usage_error(const CLI::App& app, int argc, char** argv, const CLI::ParseError& error) {
    const auto commands = app.get_subcommands([](const CLI::App*) { return true; });
    if (argc < 2)
        return bad_input("give a command: " + names(commands) + "; kitfold --help says what each does");
    const std::string first = argv[1];
    const bool known = std::any_of(commands.begin(), commands.end(),
                                   [&](const CLI::App* command) { return command->get_name() == first; });
    if (!known && !first.starts_with('-')) return unknown_command(first, commands);
    if (!known) return bad_input("\"" + first + "\" is not an option; kitfold --help shows how it is used");
    return bad_input(std::string(error.what()) + "; kitfold " + first + " --help shows how it is used");
}

} // namespace

std::shared_ptr<CLI::App> command_line(Exit& exit) {
    auto made = std::make_shared<CLI::App>("Kitfold folds the microphones of a drum kit down to two tracks.",
                                           "kitfold");
    auto& app = *made;
    app.set_version_flag("--version", version_words());
    app.require_subcommand(1);
    app.footer("Example, from a folder of WAV files to a stereo submix:\n"
               "  kitfold new takes/monday\n"
               "  kitfold check takes/monday --apply\n"
               "  kitfold bounce takes/monday -o drums.wav\n"
               "kitfold COMMAND --help says more about each command.\n"
               "Ends with 0: done; 1: check found something to fix; 2: something in the command, the session "
               "or the\n"
               "audio is not right, one line says what; 3: the disk said no. Nothing that Kitfold did not "
               "write, or\n"
               "that was changed since, is written over.");
    add_demo(app, exit);
    add_new(app, exit);
    add_check(app, exit);
    add_balance(app, exit);
    add_bounce(app, exit);
    add_audition(app, exit);
    add_live(app, exit);
    add_presets(app, exit);
    return made;
}

void parse(CLI::App& app, int argc, char** argv) {
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& asked) { // --help, --version
        app.exit(asked);
    } catch (const CLI::ParseError& error) {
        throw usage_error(app, argc, argv, error);
    }
}

Exit run_command_line(int argc, char** argv) {
    Exit exit = Exit::done;
    parse(*command_line(exit), argc, argv);
    finish_printing(Answer::itself); // of what the parser printed
    return exit;
}

} // namespace kitfold::offline
