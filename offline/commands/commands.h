#pragma once
// The commands of the program: what each can be told, and the call that does it. parse.cpp fills these
// options from the command line. A command prints its answer, throws Error when something is wrong, and
// returns how the program is to end.
#include "offline/demo/demo.h"
#include "offline/util/errors.h"
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

/// A part of the take; empty: from its beginning, to its end.
struct RangeOptions {
    std::string from, to;
};

struct DemoOptions {
    DemoRequest request;
    bool json = false;
};
struct NewOptions {
    std::string folder, output, like; ///< output: empty for session.json; like: for none
    std::vector<std::string> roles;   ///< "FILE=ROLE", a role per mic of the file, by commas
    RangeOptions range;               ///< what the session is about from now on
    bool json = false;
};
struct CheckOptions {
    std::string session, report, against; ///< report, against: empty for none
    RangeOptions range;
    bool json = false, apply = false, details = false, quiet = false;
};
struct BounceOptions {
    std::string session, output, stems; ///< stems: empty for none
    RangeOptions range;
    int rate_hz = 0; ///< 0: that of the files
    std::optional<double> loudness_lufs, peak_dbtp;
    bool dry_stems = false, force = false;
    bool json = false;
};
struct BalanceOptions {
    std::string session, balance, side, like; ///< balance, side: empty for the session's own; like: for none
    RangeOptions range;
    bool json = false, apply = false;
};
struct AuditionOptions {
    std::string session, open, deadened, role, folder; ///< either a session, or two takes
    RangeOptions range;                                ///< of a session
    double amount = 1.0;
    bool json = false;
};
struct LiveOptions {
    std::string session, monitor = "wet", record; ///< record: empty for none
    int bits = 32;
    bool connect = false, check = false, learn = false, json = false;
};
struct PresetsOptions {
    std::string name; ///< of the one to show
    bool json = false;
};

Exit demo_command(const DemoOptions& options);
Exit new_command(const NewOptions& options);
Exit check_command(const CheckOptions& options);
Exit bounce_command(const BounceOptions& options);
Exit balance_command(const BalanceOptions& options);
Exit audition_command(const AuditionOptions& options);
Exit live_command(const LiveOptions& options);
Exit list_presets_command(const PresetsOptions& options);
Exit show_preset_command(const PresetsOptions& options);
Exit list_parameters_command(const PresetsOptions& options);

/// Reads the command line and runs the command that it names. Throws Error, bad_input, for what can't be
/// read.
Exit run_command_line(int argc, char** argv);

} // namespace kitfold::offline
